// Whether the nodes are heard, and how the daemon is.

import { find, h, replace, table } from './dom.js';
import { ago, date_and_clock, instant, number } from './words.js';

const shown_most = 50;

function node_words(node) {
  if (node.silent_since) return h('span', { class: 'bad' }, `silent since ${date_and_clock(node.silent_since)}`);
  if (node.clock_disbelieved_at) return 'its clock is wrong';
  return node.last_message_at ? 'heard' : 'never heard';
}

export function show_health(state) {
  const { health } = state.data;
  const now = instant(health.time);
  const { accepted, booked, unreadable, stray } = health.messages;
  // Those that are not well first.
  const nodes = [...health.meters].sort((a, b) => Number(!a.silent_since) - Number(!b.silent_since)).slice(0, shown_most);
  replace(find('#health .body'),
    h('p', {}, h('strong', { class: health.state === 'up' ? 'good' : 'bad' }, health.state === 'up' ? 'All is well.' : 'Something needs a look; see the top of this page.')),
    nodes.length === 0 ? h('p', {}, 'No node has been heard yet.')
      : table('Nodes', ['Meter', 'Last message', 'Node'], nodes.map((node) => [node.id,
        node.last_message_at ? `${date_and_clock(node.last_message_at)}, ${ago(node.last_message_at, now)}` : 'never', node_words(node)])),
    health.meters.length > shown_most ? h('p', { class: 'key' }, `${shown_most} of ${number(health.meters.length)} are shown.`) : null,
    h('ul', { class: 'small' },
      h('li', {}, health.broker.connected ? 'The broker is connected.' : 'The broker is not connected.'),
      h('li', {}, health.store.error ? `Booking stands still: ${health.store.error}` : 'The ledger can be written.'),
      h('li', {}, `${number(accepted)} messages accepted, ${number(booked)} booked, ${number(unreadable)} unreadable, ${number(stray)} stray.`),
      h('li', {}, `tickledgerd ${health.version}, ${health.timezone}.`)));
}
