// The whole building: the sums, a row for each meter with the worst first, and main meters compared with those behind them.

import { bar, legend } from './chart.js';
import { find, h, replace } from './dom.js';
import { is_leak } from './glance.js';
import { alarm_word, date_and_clock, flow, length, name_of, number, seconds_of, times_usual, volume } from './words.js';

const others_shown = 60;  // To see more, people filter them. Meters that need a look are always shown.
const scale = 3;          // The bars end at three times the usual volume.
const much = 3;           // At least this many times the usual is worth a look,
const much_l = 50;        // if it is also this much more.
const leak_kinds = ['night-flow', 'slow-leak', 'away-use', 'long-draw', 'high-flow'];
let is_prepared = false;
let shows_all = false;

const lasting = (meter) => meter.alarms.filter((alarm) => alarm.state !== 'shelved');
const is_much = ({ today_l, usual_until_now_l: usual }) =>
  today_l !== null && usual !== null && today_l >= much * usual && today_l - usual >= much_l;

/** What is wrong with a meter, the worst first: a rank (0 is worst), a mark, and words. */
function matters_of(meter) {
  const matters = lasting(meter).map((alarm) => ({
    rank: (leak_kinds.includes(alarm.kind) ? 0 : 2) + (alarm.state === 'acknowledged' ? 0.5 : 0),
    mark: leak_kinds.includes(alarm.kind) ? 'leak' : 'fault', words: alarm_word(alarm.kind) + (alarm.state === 'acknowledged' ? ' (seen)' : '') }));
  if (meter.silent_since && !matters.some((one) => one.words.startsWith(alarm_word('node-silent'))))
    matters.push({ rank: 2, mark: 'fault', words: `Silent since ${date_and_clock(meter.silent_since)}` });
  if (meter.refused) matters.push({ rank: 3, mark: 'fault', words: meter.refused.reason === 'stray' ? 'Counts that cannot be right' : 'Messages that cannot be read' });
  if (is_much(meter)) matters.push({ rank: 1, mark: 'much', words: 'Much more than usual' });
  if (meter.seen_until === null) matters.push({ rank: 4, mark: 'fault', words: 'Never heard' });
  return matters.sort((a, b) => a.rank - b.rank);
}

const marks = { leak: '▲', much: '◆', fault: '■' };

/** The shape of the mark shows the same kind as the words. */
const matter_words = (matters) => matters.map(({ mark, words }) => h('span', { class: `matter ${mark}` },
  h('span', { 'aria-hidden': 'true' }, `${marks[mark]} `), words));

const is_between_ticks_of_a_leak = (meter) => meter.flow_l_per_h === 0 && meter.alarms.some(is_leak);

function running(meter) {
  if (meter.flow_l_per_h === null) return 'not known';
  if (is_between_ticks_of_a_leak(meter)) return 'only the leak';
  return meter.flow_l_per_h > 0 ? flow(meter.flow_l_per_h) : 'nothing';
}

function row({ meter, matters }, acts) {
  const { today_l: today, usual_until_now_l: usual } = meter;
  const most = usual === null || usual < 1 ? Math.max(today ?? 0, 1) * 1.02 : usual * scale;
  return h('tr', { 'data-meter': meter.id, class: matters.length ? 'bad-row' : null },
    h('th', { scope: 'row' }, h('button', { type: 'button', class: 'link', 'data-key': `meter-${meter.id}`,
      on: { click: () => acts.choose_meter(meter.id) } }, name_of(meter.id))),
    h('td', { class: 'drawn' }, bar(today, most, { usual: usual === null || usual < 1 ? null : usual, is_part: false, mood: is_much(meter) ? 'much' : '' })),
    h('td', { class: 'number' }, volume(today)),
    h('td', { class: 'times' }, is_much(meter) ? h('strong', {}, times_usual(today, usual)) : times_usual(today, usual)),
    h('td', { class: 'now' }, running(meter)),
    h('td', { class: 'state' }, matters.length ? matter_words(matters) : meter.away ? 'away' : 'well'));
}

const head = (caption, heads, ...bodies) => h('table', { class: 'meters' }, h('caption', { class: 'heard' }, caption),
  h('thead', {}, h('tr', {}, heads.map(([text, kind]) => h('th', { scope: 'col', class: kind ?? null }, text)))), bodies);
const heads = [['Meter'], ['Against usual by now'], ['Today', 'number'], ['That is'], ['Running now'], ['State']];

/** If meters are in groups: a line with the sum of each group, and its meters below. */
function bodies(lines, acts, all) {
  const groups = new Map();
  for (const line of lines) {
    const group = line.meter.group ?? '';
    groups.set(group, [...(groups.get(group) ?? []), line]);
  }
  if (groups.size === 1 && groups.has('')) return h('tbody', {}, lines.map((line) => row(line, acts)));
  return [...groups].sort(([a], [b]) => a.localeCompare(b, undefined, { numeric: true })).map(([group, of_group]) => h('tbody', {},
    h('tr', { class: 'group' }, h('th', { scope: 'rowgroup', colspan: '2' }, group || 'In no group'),
      h('td', { class: 'number' }, volume(all.filter(({ meter }) => (meter.group ?? '') === group).reduce((sum, { meter }) => sum + (meter.today_l ?? 0), 0))),
      h('td', { colspan: '3' }, `of ${number(all.filter(({ meter }) => (meter.group ?? '') === group).length)} meters today`)),
    of_group.map((line) => row(line, acts))));
}

const sum_of = (meters, value) => meters.reduce((sum, meter) => sum + value(meter), 0);

const answer = (question, said, mood, ...more) => h('div', { class: `answer ${mood}` },
  h('dt', {}, question), h('dd', {}, h('strong', {}, said), more.filter(Boolean).map((line) => h('span', {}, line))));

function sums(building, lines) {
  const { sum, meters } = building;
  const leaks = meters.filter((meter) => lasting(meter).some((alarm) => leak_kinds.includes(alarm.kind)));
  const troubled = lines.filter(({ matters }) => matters.length > 0);
  const runs = meters.filter((meter) => meter.flow_l_per_h > 0);
  const seeps = meters.filter(is_between_ticks_of_a_leak);
  const unknown = meters.filter((meter) => meter.flow_l_per_h === null);
  const named = (list) => list.slice(0, 3).map((meter) => name_of(meter.id)).join(' · ') + (list.length > 3 ? ` and ${number(list.length - 3)} more` : '');
  return h('dl', { class: 'answers' },
    answer('How much today, all together?', volume(sum.today_l), 'plain',
      sum.usual_until_now_l === null ? (building.usual_pending ? 'the usual volume is being worked out' : 'the usual volume is not yet known for every meter')
        : `usual by now: ${volume(sum.usual_until_now_l)}`, `yesterday: ${volume(sum.yesterday_l)}`,
      sum.meters_without_number ? `${sum.meters_without_number === 1 ? '1 meter without data is' : `${number(sum.meters_without_number)} meters without data are`} not included` : null),
    answer('Is there a leak?', leaks.length ? `At ${number(leaks.length)} of ${number(meters.length)}` : 'No sign of one', leaks.length ? 'bad' : 'good',
      leaks.length ? named(leaks) : 'No alarm for running water is active.'),
    answer('Does anything need a look?', troubled.length ? `${number(troubled.length)} of ${number(meters.length)}` : 'No', troubled.length ? 'flow' : 'good',
      troubled.length ? named(troubled.map(({ meter }) => meter)) : 'Every meter is heard, and none stands out.'),
    answer('Is anything running now?', runs.length ? `At ${number(runs.length)}` : seeps.length ? `Only ${seeps.length === 1 ? 'the leak' : 'leaks'}` : unknown.length === meters.length ? 'Not known' : 'Nothing seen',
      runs.length || seeps.length ? 'flow' : 'plain', runs.length ? named(runs) : null, seeps.length ? `${runs.length ? 'only a leak: ' : ''}${named(seeps)}` : null, unknown.length ? `not known: ${number(unknown.length)} of them` : null));
}

/** Says whether the difference between the main meter and those behind it is more than the meters' errors explain. */
function balance_words({ difference_l: difference, tolerance_l: tolerance, is_whole, meter }) {
  if (difference === null) return 'Not known: a meter was not heard in this time.';
  const within = Math.abs(difference) <= tolerance;
  const doubt = is_whole ? '' : ' Part of this time was not seen, so this proves nothing.';
  if (within) return `Within the meters' permitted errors.${doubt}`;
  return difference > 0
    ? `More ran through ${name_of(meter)} than the others counted: a use without a meter, a leak between, or a meter that counts too little.${doubt}`
    : `The others counted more than ran through ${name_of(meter)}: a meter that counts too much, or one that is fed from elsewhere.${doubt}`;
}

const balances = (list) => list.length === 0 ? null : [h('h3', {}, 'The main meter, and what the meters behind it add up to'),
  h('table', { class: 'balances' }, h('caption', { class: 'heard' }, 'Each main meter minus the meters behind it'),
    h('thead', {}, h('tr', {}, ['Main meter', 'Drawn'].map((text) => h('th', { scope: 'col' }, text)),
      ['It counted', 'The others', 'Difference'].map((text) => h('th', { scope: 'col', class: 'number' }, text)), h('th', { scope: 'col' }, 'Meaning'))),
    h('tbody', {}, list.map((one) => {
      const most = Math.max(one.volume_l, one.parts_l, 1) * 1.05;
      const is_over = Math.abs(one.difference_l) > one.tolerance_l;
      return h('tr', {}, h('th', { scope: 'row' }, `${name_of(one.meter)}, ${seconds_of(one) < 2 * 86_400 ? 'yesterday' : `last ${length(seconds_of(one))}`}`),
        h('td', { class: 'drawn' }, bar(one.volume_l, most, { usual: one.parts_l, is_part: !one.is_whole, mood: is_over && one.is_whole ? 'much' : '' })),
        [['It counted', one.volume_l], ['The others', one.parts_l]].map(([label, litres]) => h('td', { class: 'number', 'data-label': label }, volume(litres))),
        h('td', { class: 'number', 'data-label': 'Difference' }, is_over && one.is_whole ? h('strong', {}, volume(one.difference_l)) : volume(one.difference_l), h('br'), h('span', { class: 'small' }, `± ${volume(one.tolerance_l)}`)),
        h('td', { class: 'small' }, balance_words(one)));
    }))),
  h('p', { class: 'key' }, 'The dashed line is the sum of the meters behind it. ± is how far they may differ without a fault: 2 % of each meter’s volume, a step of each counter, and what may have run unseen.')];

export function show_building(state, acts) {
  const { building } = state.data;
  const is_shown = state.meter === null && building.meters.length > 0;
  find('#building').hidden = !is_shown;
  if (!is_shown) return;
  if (!is_prepared) {
    is_prepared = true;
    find('#filter').addEventListener('input', () => show_building(state, acts));
  }
  const lines = building.meters.map((meter) => ({ meter, matters: matters_of(meter) }));
  const excess = ({ today_l, usual_until_now_l: usual }) => (today_l === null || usual === null ? -Infinity : today_l - usual);
  lines.sort((a, b) => (a.matters[0]?.rank ?? 9) - (b.matters[0]?.rank ?? 9) || excess(b.meter) - excess(a.meter));
  const sought = find('#filter').value.trim().toLocaleLowerCase();
  const is_sought = ({ meter }) => [meter.id, meter.name ?? '', meter.group ?? ''].some((text) => text.toLocaleLowerCase().includes(sought));
  const found = lines.filter(is_sought);
  const troubled = found.filter(({ matters }) => matters.length > 0);
  const others = found.filter(({ matters }) => matters.length === 0);
  const shown = shows_all || sought ? others : others.slice(0, others_shown);
  find('#building-title').textContent = `All ${number(building.meters.length)} meters`;
  find('#filter-label').hidden = building.meters.length < 8;
  replace(find('#sums'), sums(building, lines));
  replace(find('#rows'),
    troubled.length ? [h('h3', {}, `Needs a look (${number(troubled.length)})`),
      head('Meters that need a look, the worst first', heads, h('tbody', {}, troubled.map((line) => row(line, acts))))] : null,
    others.length ? [h('h3', {}, troubled.length ? `All others (${number(others.length)})` : 'All is as it should be'),
      head('The other meters', heads, bodies(shown, acts, lines))] : null,
    found.length === 0 ? h('p', {}, 'No meter matches.') : null,
    shown.length < others.length ? h('p', {}, h('button', { type: 'button', 'data-key': 'all', on: { click: () => { shows_all = true; show_building(state, acts); } } },
      `Show the other ${number(others.length - shown.length)} too`)) : null,
    legend(['usual', 'what is usual by this time of day'], ['whole', 'today'], ['unclear', 'nothing seen']),
    h('p', { class: 'key' }, `The bars end at ${scale} times what is usual; a longer one is cut.`));
  replace(find('#balances'), balances(building.balances));
  if (!building.sum) return;
  document.title = `Water: ${number(sum_of(lines, ({ matters }) => (matters.length ? 1 : 0)))} of ${number(lines.length)} need a look`;
}
