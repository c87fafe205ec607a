// Alarms: seen, put off, ended.

import { post } from './ask.js';
import { find, h, replace, table } from './dom.js';
import { alarm_words, date_and_clock, sentence } from './words.js';

const earlier_shown = 20;
const cards_shown = 12;
const put_off = [['PT12H', '12 hours'], ['P1D', 'a day'], ['P2D', '2 days'], ['P7D', 'a week'], ['P31D', '31 days']];

function state_words(alarm) {
  switch (alarm.state) {
    case 'unacknowledged': return 'not acknowledged yet';
    case 'acknowledged': return `acknowledged ${date_and_clock(alarm.acknowledged_at)}`;
    case 'returned-unacknowledged': return `over since ${date_and_clock(alarm.cleared_at)}, not acknowledged yet`;
    case 'shelved': return `put off until ${date_and_clock(alarm.shelved_until)}`;
    default: return alarm.cleared_at ? `over since ${date_and_clock(alarm.cleared_at)}` : 'over';
  }
}

async function act(acts, alarm, what, body, done) {
  const said = find('#alarms .said');
  try {
    const answer = await post(`/v1/alarms/${alarm.id}/${what}`, body);
    said.textContent = answer.id ? `${done}: ${alarm_words[alarm.kind] ?? alarm.kind}, ${alarm.meter}.` : answer.text;
  } catch (error) {
    said.textContent = acts.words_for(error);
  }
  acts.changed('alarms');
}

function buttons(alarm, acts) {
  const key = (what) => `${what}-${alarm.id}`;
  const name = `${alarm_words[alarm.kind] ?? alarm.kind}, ${alarm.meter}`;
  const button = (text, what, body, done) => h('button', {
    type: 'button', 'data-key': key(what), 'aria-label': `${text}: ${name}`,
    on: { click: () => act(acts, alarm, what, typeof body === 'function' ? body() : body, done) },
  }, text);
  if (alarm.state === 'shelved') return [button('Put off no longer', 'unshelve', undefined, 'Put off no longer')];
  const length = h('select', { 'data-key': key('for'), 'aria-label': `How long to put off: ${name}` },
    put_off.map(([value, text]) => h('option', { value, selected: value === 'P1D' }, text)));
  return [
    alarm.acknowledged_at === null || alarm.state.includes('unack')
      ? button('I have seen it', 'acknowledge', undefined, 'Acknowledged') : null,
    alarm.cleared_at === null
      ? h('span', { class: 'together' }, button('Put off for', 'shelve', () => ({ for: length.value }), 'Put off'), length) : null,
  ];
}

const card = (alarm, acts) => h('article', { class: `alarm ${alarm.state}`, 'data-alarm': alarm.id },
  h('h3', {}, alarm_words[alarm.kind] ?? alarm.kind, h('span', { class: 'where' }, alarm.meter)),
  h('p', { class: 'state' }, `since ${date_and_clock(alarm.raised_at)}; ${state_words(alarm)}`),
  h('p', {}, sentence(alarm.text)),
  h('p', { class: 'acts' }, buttons(alarm, acts)));

/** What is over needs no card, only a look. */
const past = (list, acts) => h('details', { 'data-key': 'past' },
  h('summary', {}, `Over, not acknowledged yet (${list.length})`),
  h('ul', { class: 'past' }, list.slice(0, cards_shown).map((alarm) => h('li', { 'data-alarm': alarm.id },
    h('span', {}, h('strong', {}, alarm_words[alarm.kind] ?? alarm.kind), ` ${alarm.meter}, ${date_and_clock(alarm.raised_at)} to ${date_and_clock(alarm.cleared_at)} `),
    buttons(alarm, acts)))));

const earlier = (list) => h('details', { 'data-key': 'earlier' }, h('summary', {}, `Earlier ones (${list.length})`),
  table('Earlier alarms', ['Since', 'Over', 'What', 'Meter'], list.slice(0, earlier_shown).map((alarm) => [
    date_and_clock(alarm.raised_at), alarm.cleared_at ? date_and_clock(alarm.cleared_at) : '',
    alarm_words[alarm.kind] ?? alarm.kind, alarm.meter])));

const undecided = (list) => h('details', { 'data-key': 'undecided' },
  h('summary', {}, `Nights that can not be told (${list.length})`),
  h('ul', {}, list.slice(0, earlier_shown).map((one) => h('li', {}, sentence(one.text)))));

export function show_alarms(state, acts) {
  const { alarms, undecided: open_questions } = state.data.alarms;
  const current = alarms.filter((alarm) => alarm.state !== 'normal');
  const over = alarms.filter((alarm) => alarm.state === 'normal');
  // Those of the chosen meter first, the unseen before the seen; the newest first as they come.
  const rank = (alarm) => (alarm.state.includes('unack') ? 0 : 2) + (alarm.meter === state.meter ? 0 : 1);
  current.sort((a, b) => rank(a) - rank(b));
  const lasting = current.filter((alarm) => alarm.cleared_at === null || alarm.state === 'shelved');
  const ended = current.filter((alarm) => !lasting.includes(alarm));
  find('#alarms-title').textContent = current.length ? `Alarms (${current.length})` : 'Alarms';
  replace(find('#alarms .body'),
    lasting.length === 0 ? h('p', {}, current.length ? 'No alarm lasts.' : 'There is no alarm.')
      : h('div', { class: 'cards' }, lasting.slice(0, cards_shown).map((alarm) => card(alarm, acts))),
    lasting.length > cards_shown ? h('p', { class: 'key' }, `${cards_shown} of ${lasting.length} are shown; each meter’s own stand first where it is chosen.`) : null,
    ended.length ? past(ended, acts) : null,
    over.length ? earlier(over) : null, open_questions.length ? undecided(open_questions) : null);
}
