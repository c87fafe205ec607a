// What the water of a day was probably used for.

import { find, h, percent, replace, svg, table } from './dom.js';
import { clock_to_the_second, flow, label_words, length, number, seconds_of, volume } from './words.js';

const is_blurred = (draw) => draw.blur_s * 3 > seconds_of(draw);

function sums(draws) {
  const by_label = new Map();
  for (const draw of draws) {
    const sum = by_label.get(draw.label) ?? { label: draw.label, count: 0, litres: 0 };
    sum.count += 1;
    sum.litres += draw.volume_l;
    by_label.set(draw.label, sum);
  }
  return [...by_label.values()].sort((a, b) => b.litres - a.litres);
}

const share = (sum, most) => svg('svg', { class: 'bar', 'aria-hidden': 'true', focusable: 'false' },
  svg('rect', { class: `draw ${sum.label}`, width: percent(sum.litres / most), height: '100%' }));

const all = (draws) => h('details', { 'data-key': 'draws' }, h('summary', {}, `Each of the ${draws.length} draws`),
  table('Each draw', ['From', 'Length', { text: 'Volume', number: true }, 'Mean flow', 'Probably', { text: 'Sure', number: true }],
    draws.map((draw) => [clock_to_the_second(draw.from),
      `${is_blurred(draw) ? 'at most ' : ''}${length(seconds_of(draw))}`, volume(draw.volume_l),
      draw.mean_flow_l_per_h === null ? '' : flow(draw.mean_flow_l_per_h), label_words[draw.label],
      `${number(draw.confidence * 100)} %`]), { class: 'draws' }));

/** A leak on this day: its ticks, far apart, are taken for taps and toilets. */
const leaks_on = (day, meter, alarms) => alarms.some((alarm) => alarm.meter === meter && alarm.kind === 'night-flow' &&
  alarm.raised_at.slice(0, 10) <= day && (alarm.cleared_at === null || alarm.cleared_at.slice(0, 10) >= day));

export function show_draws(state, acts) {
  const { draws } = state.data.draws;
  if (draws.length === 0) return replace(find('#draws'), h('p', {}, 'No use of water was found on this day.'));
  const list = sums(draws);
  const most = list[0].litres || 1;
  replace(find('#draws'),
    h('h3', {}, 'What it was probably used for'),
    table('Draws by purpose', ['Probably', 'Bar', 'Times', { text: 'Volume', number: true }],
      list.map((sum) => [label_words[sum.label], share(sum, most), `${number(sum.count)} ×`, volume(sum.litres)]), { class: 'bars uses' }),
    leaks_on(acts.day(), state.meter, state.data.alarms.alarms)
      ? h('p', { class: 'notice' }, 'Water ran all night. The ticks of a leak, far apart, are taken for taps and toilets here: do not believe this list until it is mended.') : null,
    h('p', { class: 'key' }, 'A guess from length and flow; two that run at once are hard to tell apart.'),
    all(draws));
}
