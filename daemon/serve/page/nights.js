// The nights as bands. While the water stood still, no leak can have run.

import { band, legend } from './chart.js';
import { find, h, replace, table } from './dom.js';
import { clock, day_word, flow, instant, length, number, seconds_of, volume } from './words.js';

const nights_shown = 2;
const state_words = { still: 'stood still', flow: 'ran', unclear: 'not known' };

const drawn = (night) => band(instant(night.from), instant(night.to),
  night.stretches.map((one) => ({ ...one, begins: one.from, ends: one.to, from: instant(one.from), to: instant(one.to) })),
  (one) => `${clock(one.begins)} to ${clock(one.ends)}: ${state_words[one.state]}`);

function verdict(night, still_for_s) {
  const longest = night.longest_still ? length(seconds_of(night.longest_still)) : null;
  switch (night.verdict) {
    case 'still': return `stood still for ${longest}`;
    case 'flow': return `never stood still for ${length(still_for_s)}; ${volume(night.volume_l)} ran`;
    case 'open': return longest ? `lasts; still for ${longest} so far` : 'lasts';
    default: return 'undecided: data is missing';
  }
}

export function show_nights(state) {
  const { nights, still_for_s } = state.data.nights;
  const meter = state.data.building.meters.find((one) => one.id === state.meter);
  if (nights.length === 0 || !meter) return replace(find('#nights .body'), h('p', {}, 'No night has been seen yet.'));
  const newest_first = [...nights].reverse();
  const last = newest_first[0];
  const bands = (list, caption) => table(caption, ['Night before', `${clock(last.from)} to ${clock(last.to)}`, 'Meaning'],
    list.map((night) => [day_word(night.to), drawn(night), h('span', { class: `verdict ${night.verdict}` }, verdict(night, still_for_s))]), { class: 'bands' });
  const first = newest_first.slice(0, nights_shown);
  const loud = newest_first.slice(nights_shown).filter((night) => night.verdict === 'flow');
  const folded = newest_first.slice(nights_shown).filter((night) => night.verdict !== 'flow');
  const quiet = folded.filter((night) => night.verdict === 'still').length;
  const hidden = meter.smallest_visible_leak_l_per_h;
  replace(find('#nights .body'),
    bands([...first, ...loud], 'Nights, with the longest stretch in which the water stood still'),
    legend(['flow', 'it ran'], ['still', 'it stood still'], ['unclear', 'not known']),
    h('p', { class: 'key' }, `A night without a still stretch of ${length(still_for_s)} is water that never stops. `,
      hidden === null ? 'The readings of this meter are too far apart to see a leak.'
        : `What is smaller than ${flow(hidden)} can hide between two ticks.`),
    folded.length === 0 ? null : h('details', { 'data-key': 'nights' },
      h('summary', {}, quiet === folded.length ? `${number(quiet)} quiet nights before` : `${number(folded.length)} nights before: ${number(quiet)} quiet, ${number(folded.length - quiet)} undecided`),
      bands(folded, 'Earlier nights')));
}
