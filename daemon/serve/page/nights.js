// The nights as bands: where the water stood still, a leak can not have run.

import { find, h, percent, replace, svg, table } from './dom.js';
import { clock, day_word, instant, length, seconds_of, volume, flow } from './words.js';

const fills = { unclear: 'url(#unclear)' };

function band(night) {
  const from = instant(night.from);
  const whole = instant(night.to) - from;
  const at = (time) => (instant(time) - from) / whole;
  return svg('svg', { class: 'band', 'aria-hidden': 'true', focusable: 'false' },
    night.stretches.map((one) => svg('rect', { class: one.state, x: percent(at(one.from)), height: '100%',
      width: percent(at(one.to) - at(one.from)), fill: fills[one.state] ?? null },
    svg('title', {}, `${clock(one.from)} to ${clock(one.to)}: ${one.state}`))));
}

function verdict(night, still_for_s) {
  const longest = night.longest_still ? length(seconds_of(night.longest_still)) : null;
  switch (night.verdict) {
    case 'still': return `stood still for ${longest}`;
    case 'flow': return `never stood still for ${length(still_for_s)}; ${volume(night.volume_l)} ran`;
    case 'open': return longest ? `lasts; still for ${longest} so far` : 'lasts';
    default: return 'can not be told: something is missing';
  }
}

export function show_nights(state) {
  const { nights, still_for_s } = state.data.nights;
  const meter = state.data.meters.meters.find((one) => one.id === state.meter);
  if (nights.length === 0 || !meter) return replace(find('#nights .body'), h('p', {}, 'No night has been seen yet.'));
  const last = nights.at(-1);
  const rows = [...nights].reverse().map((night) => [
    day_word(night.to), band(night),
    h('span', { class: `verdict ${night.verdict}` }, verdict(night, still_for_s))]);
  const hidden = meter.smallest_visible_leak_l_per_h;
  replace(find('#nights .body'),
    h('p', { class: 'key' }, 'Each band is a night, from ', clock(last.from), ' to ', clock(last.to), '. ',
      h('span', { class: 'swatch still' }), ' the water stood still ', h('span', { class: 'swatch flow' }), ' it ran ',
      h('span', { class: 'swatch unclear' }), ' not known'),
    table('Nights, with the longest stretch in which the water stood still',
      ['Night before', `${clock(last.from)} to ${clock(last.to)}`, 'What it tells'], rows, { class: 'bands' }),
    h('p', { class: 'key' }, `A band without a quiet stretch of ${length(still_for_s)} is water that never stops. `,
      hidden === null ? 'The readings of this meter are too far apart to see a leak.'
        : `What is smaller than ${flow(hidden)} can hide between two ticks.`));
}
