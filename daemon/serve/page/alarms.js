// Alarms: shows them, and lets people acknowledge them and put them off.

import { post } from './ask.js';
import { find, h, replace, table } from './dom.js';
import { alarm_word, date_and_clock, name_of, number, sentence } from './words.js';

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
    said.textContent = answer.id ? `${done}: ${alarm_word(alarm.kind)}, ${name_of(alarm.meter)}.` : answer.text;
  } catch (error) {
    said.textContent = acts.words_for(error);
  }
  acts.changed('alarms', 'building');
}

const full_name = (alarm) => `${alarm_word(alarm.kind)}, ${name_of(alarm.meter)}`;
const key_of = (what, alarm) => `${what}-${alarm.id}`;

const act_button = (alarm, acts, text, what, body, done) => h('button', {
  type: 'button', 'data-key': key_of(what, alarm), 'aria-label': `${text}: ${full_name(alarm)}`,
  on: { click: () => act(acts, alarm, what, typeof body === 'function' ? body() : body, done) },
}, text);

const take_back = (alarm, acts) => acts.may_change() && act_button(alarm, acts, 'Not seen after all', 'unacknowledge', undefined, 'No longer acknowledged');

function buttons(alarm, acts) {
  if (!acts.may_change()) return [];
  const button = (...what) => act_button(alarm, acts, ...what);
  if (alarm.state === 'shelved') return [button('Show it again', 'unshelve', undefined, 'Shown again')];
  const length = h('select', { 'data-key': key_of('for', alarm), 'aria-label': `How long to put off: ${full_name(alarm)}` },
    put_off.map(([value, text]) => h('option', { value, selected: value === 'P1D' }, text)));
  return [
    alarm.acknowledged_at === null || alarm.state.includes('unack')
      ? button('I have seen it', 'acknowledge', undefined, 'Acknowledged')
      : take_back(alarm, acts),
    alarm.cleared_at === null
      ? h('span', { class: 'together' }, button('Put off for', 'shelve', () => ({ for: length.value }), 'Put off'), length) : null,
  ];
}

const card = (alarm, acts) => h('article', { class: `alarm ${alarm.state}`, 'data-alarm': alarm.id },
  h('h3', {}, alarm_word(alarm.kind), h('span', { class: 'where' }, name_of(alarm.meter))),
  h('p', { class: 'state' }, `since ${date_and_clock(alarm.raised_at)}; ${state_words(alarm)}`),
  h('p', {}, sentence(alarm.text)),
  h('p', { class: 'acts' }, buttons(alarm, acts)));

/** Acknowledges all of them, one after the other. */
async function acknowledge_all(list, acts) {
  const said = find('#alarms .said');
  let count = 0;
  try {
    for (const alarm of list) {
      await post(`/v1/alarms/${alarm.id}/acknowledge`);
      count += 1;
      said.textContent = `Acknowledged: ${number(count)} of ${number(list.length)}.`;
    }
  } catch (error) {
    said.textContent = `Acknowledged: ${number(count)} of ${number(list.length)}. ${acts.words_for(error)}`;
  }
  acts.changed('alarms', 'building');
}

const all_seen = (list, acts, key) => (list.length > 1 && acts.may_change() ? h('p', { class: 'acts' },
  h('button', { type: 'button', 'data-key': key, on: { click: () => acknowledge_all(list, acts) } }, `I have seen all ${number(list.length)}`)) : null);

/** An alarm that is over needs no card of its own. */
const past = (list, acts) => h('details', { 'data-key': 'past' },
  h('summary', {}, `Over, not acknowledged yet (${number(list.length)})`),
  all_seen(list, acts, 'all-seen'),
  h('ul', { class: 'past' }, list.slice(0, cards_shown).map((alarm) => h('li', { 'data-alarm': alarm.id },
    h('span', {}, h('strong', {}, alarm_word(alarm.kind)), ` ${name_of(alarm.meter)}, ${date_and_clock(alarm.raised_at)} to ${date_and_clock(alarm.cleared_at)} `),
    buttons(alarm, acts)))),
  list.length > cards_shown ? h('p', { class: 'key' }, `${cards_shown} of ${number(list.length)} are shown.`) : null);

const earlier = (list, acts) => h('details', { 'data-key': 'earlier' }, h('summary', {}, `Earlier ones (${number(list.length)})`),
  table('Earlier alarms', ['Since', 'Over', 'What', 'Meter', 'Seen'], list.slice(0, earlier_shown).map((alarm) => [
    date_and_clock(alarm.raised_at), alarm.cleared_at ? date_and_clock(alarm.cleared_at) : '',
    alarm_word(alarm.kind), name_of(alarm.meter),
    alarm.acknowledged_at ? h('span', {}, `${date_and_clock(alarm.acknowledged_at)} `, take_back(alarm, acts)) : ''])));

const undecided = (list) => h('details', { 'data-key': 'undecided' },
  h('summary', {}, `Undecided nights (${number(list.length)})`),
  h('ul', {}, list.slice(0, earlier_shown).map((one) => h('li', {}, sentence(one.text)))));

export function show_alarms(state, acts) {
  const of_shown = (one) => state.meter === null || one.meter === state.meter;
  const all = state.data.alarms.alarms;
  const alarms = all.filter(of_shown);
  const open_questions = state.data.alarms.undecided.filter(of_shown);
  const elsewhere = all.filter((alarm) => !of_shown(alarm) && alarm.cleared_at === null && alarm.state !== 'shelved').length;
  const current = alarms.filter((alarm) => alarm.state !== 'normal');
  const over = alarms.filter((alarm) => alarm.state === 'normal');
  // Unacknowledged ones first; within each, the order of the API: newest first.
  const rank = (alarm) => (alarm.state.includes('unack') ? 0 : 1);
  current.sort((a, b) => rank(a) - rank(b));
  const lasting = current.filter((alarm) => alarm.cleared_at === null || alarm.state === 'shelved');
  const ended = current.filter((alarm) => !lasting.includes(alarm));
  find('#alarms').hidden = alarms.length + open_questions.length + elsewhere === 0;
  find('#alarms-title').textContent = lasting.length ? `Alarms (${number(lasting.length)})` : 'Alarms';
  const unseen = lasting.filter((alarm) => alarm.state === 'unacknowledged');
  replace(find('#alarms .body'),
    all_seen(unseen, acts, 'all-lasting-seen'),
    lasting.length === 0 ? h('p', {}, current.length ? 'No alarm is active.' : 'There is no alarm.')
      : h('div', { class: 'cards' }, lasting.slice(0, cards_shown).map((alarm) => card(alarm, acts))),
    lasting.length > cards_shown ? h('p', { class: 'key' }, `${cards_shown} of ${number(lasting.length)} are shown. Choose a meter to see all of its alarms.`) : null,
    elsewhere ? h('p', { class: 'key' }, elsewhere === 1 ? 'One alarm is active at another meter.' : `${number(elsewhere)} alarms are active at other meters.`) : null,
    ended.length ? past(ended, acts) : null,
    over.length ? earlier(over, acts) : null, open_questions.length ? undecided(open_questions) : null);
}
