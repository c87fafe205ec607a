// The state of the daemon and the nodes, and what happened to the messages.

import { find, h, replace, table } from './dom.js';
import { ago, date_and_clock, instant, name_of, number } from './words.js';
import { troubles_of } from './notices.js';

const shown_most = 50;
const nodes_open = 3;  // A longer list is folded.

function node_words(node) {
  if (node.silent_since) return h('span', { class: 'bad' }, `silent since ${date_and_clock(node.silent_since)}`);
  if (node.clock_disbelieved_at) return 'its clock is wrong';
  return node.last_message_at ? 'heard' : 'never heard';
}

const node_table = (nodes, now) => table('Nodes', ['Meter', 'Last message', 'Node'], nodes.map((node) => [name_of(node.id),
  node.last_message_at ? `${date_and_clock(node.last_message_at)}, ${ago(node.last_message_at, now)}` : 'never', node_words(node)]));

export function show_health(state) {
  const { health } = state.data;
  const now = instant(health.time);
  const { accepted, booked, unreadable, stray } = health.messages;
  // Nodes with trouble first.
  const nodes = health.meters.filter((node) => state.meter === null || node.id === state.meter)
    .sort((a, b) => Number(!a.silent_since) - Number(!b.silent_since));
  const is_well = troubles_of(state).length === 0;
  replace(find('#health .body'),
    h('p', {}, h('strong', { class: is_well ? 'good' : 'bad' }, is_well ? 'All is well.' : 'Something needs a look; see the top of this page.')),
    nodes.length === 0 ? h('p', {}, 'No node has been heard yet.')
      : nodes.length <= nodes_open ? node_table(nodes, now)
        : h('details', { 'data-key': 'nodes' }, h('summary', {}, `${number(nodes.length)} nodes`), node_table(nodes.slice(0, shown_most), now),
          nodes.length > shown_most ? h('p', { class: 'key' }, `${shown_most} of ${number(nodes.length)} are shown, the silent ones first.`) : null),
    h('ul', { class: 'small' },
      h('li', {}, health.broker.connected ? 'The broker is connected.' : 'The broker is not connected.'),
      h('li', {}, health.store.error ? `Booking has stopped: ${health.store.error}` : 'The ledger can be written.'),
      h('li', {}, `Since the ledger began ${number(accepted)} messages came; ${number(booked)} are booked, ${number(unreadable)} could not be read, ${number(stray)} had an impossible count.`),
      h('li', {}, `tickledgerd ${health.version}, times of ${health.timezone}.`)));
}
