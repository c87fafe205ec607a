// The draws of a day, and what each was probably for.

import { of_meter, post } from './ask.js';
import { find, h, percent, replace, svg, table } from './dom.js';
import { clock, clock_to_the_second, date_and_clock, flow, instant, label_word, length, number, seconds_of, volume } from './words.js';

const longest_shown = 3;
const surely = 0.85;
const perhaps = 0.5;

const is_blurred = (draw) => draw.blur_s * 3 > seconds_of(draw);

/** The guess and how sure it is. */
function guess(draw) {
  if (draw.label === 'unknown') return 'not known';
  const word = draw.name ? `${label_word(draw.label)}, ${draw.name}` : label_word(draw.label);
  if (draw.told) return `${word}, as you said`;
  const share = `${number(draw.confidence * 100)} %`;
  return draw.confidence >= surely ? `${word}, ${share} sure` : draw.confidence >= perhaps ? `probably ${word}, ${share} sure` : `perhaps ${word}, ${share} sure`;
}

const length_words = (draw) => `${is_blurred(draw) ? 'at most ' : ''}${length(seconds_of(draw))}`;

/** Draws that began before the day are drawn, but neither counted nor summed. */
function sums(draws, begun_before) {
  const by_label = new Map();
  const sum_of = (draw) => {
    if (!by_label.has(draw.label)) by_label.set(draw.label, { label: draw.label, count: 0, litres: 0, draws: [] });
    return by_label.get(draw.label);
  };
  for (const draw of begun_before) sum_of(draw).draws.push(draw);
  for (const draw of draws) {
    const sum = sum_of(draw);
    sum.count += 1;
    sum.litres += draw.volume_l;
    sum.draws.push(draw);
  }
  return [...by_label.values()].sort((a, b) => b.litres - a.litres);
}

/** A lane for each purpose, below the day's flow and on its axis. The lane distinguishes them, not the colour. */
export function lanes({ draws, begun_before }, from, to) {
  if (draws.length + begun_before.length === 0) return null;
  const at = (time) => Math.max(0, (instant(time) - from) / (to - from));
  const began = (draw) => (instant(draw.from) < from ? date_and_clock : clock)(draw.from);
  return table('Uses of water by purpose', ['Probably', 'When', { text: 'Times', number: true }, { text: 'Volume', number: true }], sums(draws, begun_before).map((sum) => [
    label_word(sum.label),
    svg('svg', { class: 'lane', 'aria-hidden': 'true', focusable: 'false' },
      svg('line', { class: 'grid', x1: '0', x2: '100%', y1: '50%', y2: '50%' }),
      sum.draws.map((draw) => svg('rect', { class: sum.label === 'leak' ? 'draw much' : 'draw', x: percent(at(draw.from)),
        width: percent(Math.max(at(draw.to) - at(draw.from), 0.003)), height: '100%' },
      svg('title', {}, `${label_word(draw.label)}, ${began(draw)}: ${volume(draw.volume_l)}`)))),
    sum.count ? `${number(sum.count)} ×` : 'since before', sum.count ? volume(sum.litres) : '']), { class: 'lanes' });
}

const flow_words = (draw) => (draw.mean_flow_l_per_h === null ? '' : flow(draw.mean_flow_l_per_h));

const longest = (draws) => {
  const list = [...draws].sort((a, b) => seconds_of(b) - seconds_of(a)).slice(0, longest_shown);
  return table('The longest uses', ['Longest', 'Length', { text: 'Volume', number: true }, 'Mean flow', 'What it was'],
    list.map((draw) => [`${clock(draw.from)} to ${clock(draw.to)}`, length_words(draw), volume(draw.volume_l), flow_words(draw), guess(draw)]), { class: 'longest' });
};

const tellable = ['flush', 'shower', 'tap', 'washer', 'bath', 'hose'];

/** Lets a person correct the guess. The daemon then labels similar draws the same way. */
function choice(state, acts, draw) {
  const said = h('output', {});
  const middle = new Date((Number(instant(draw.from)) + Number(instant(draw.to))) / 2).toISOString();
  const tell = async (event) => {
    try {
      await post(of_meter(state.meter, 'draws'), { at: middle, was: event.target.value });
      acts.changed('draws');
    } catch (error) {
      said.textContent = acts.words_for(error);
    }
  };
  const options = [['', guess(draw)], ...tellable.filter((label) => label !== draw.label || !draw.told).map((label) => [label, `It was: ${label_word(label)}`]),
    ...(draw.told ? [['nothing', 'Take back what I said']] : [])];
  return [h('select', { 'data-key': `was ${draw.from} ${draw.label} ${draw.told}`, 'aria-label': `What ran at ${clock(draw.from)}`, on: { change: tell } },
    options.map(([value, words]) => h('option', { value }, words))), said];
}

const all = (draws, state, acts) => h('details', { 'data-key': 'draws' }, h('summary', {}, `Each of the ${number(draws.length)} uses`),
  table('Each use', ['From', 'Length', { text: 'Volume', number: true }, 'Mean flow', 'What it was'],
    draws.map((draw) => [clock_to_the_second(draw.from), length_words(draw), volume(draw.volume_l), flow_words(draw), draw.label === 'leak' || !acts.may_change() ? guess(draw) : choice(state, acts, draw)]), { class: 'draws' }));

/** True if there was a leak on this day: some of its ticks may be taken for taps and toilets. */
const leaks_on = (day, meter, alarms) => alarms.some((alarm) => alarm.meter === meter && alarm.kind === 'night-flow' &&
  alarm.raised_at.slice(0, 10) <= day && (alarm.cleared_at === null || alarm.cleared_at.slice(0, 10) >= day));

/** A line for each draw that this day's list lacks because it began earlier, such as a leak. */
const earlier = (list) => list.map((draw) => h('p', { class: 'begun-before' },
  `Begun before this day: ${label_word(draw.label)}, from ${date_and_clock(draw.from)} to ${date_and_clock(draw.to)}, ${volume(draw.volume_l)}${flow_words(draw) && ` at ${flow_words(draw)}`}.`));

export function show_draws(state, acts) {
  const { draws, begun_before } = state.data.draws;
  if (draws.length === 0) {
    return replace(find('#draws'), earlier(begun_before),
      h('p', {}, begun_before.length ? 'No other use of water was found on this day.' : 'No use of water was found on this day.'));
  }
  replace(find('#draws'),
    earlier(begun_before),
    leaks_on(acts.day(), state.meter, state.data.alarms.alarms)
      ? h('p', { class: 'notice' }, 'Water ran all night. Water that never stopped is shown as the leak. The other uses may still include some of it, so this list is less reliable until the leak is repaired.') : null,
    longest(draws),
    h('p', { class: 'key' }, 'What it was is a guess from length, flow and what this house repeats; two that run at once are hard to tell apart.', acts.may_change() ? ' Where you know better, say so in the list.' : ''),
    all(draws, state, acts));
}
