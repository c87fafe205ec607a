// The common marks of all drawings; docs/page.md describes them.
//
// Solid: counted. Hatched: incomplete, or so far. Hatched the other way: not known. Dashed line: the value to compare with.
// A length begins at zero, and time runs to the right. Colour alone never carries a meaning.

import { h, percent, svg } from './dom.js';

const drawing = (kind, ...marks) => svg('svg', { class: kind, 'aria-hidden': 'true', focusable: 'false' }, marks);

const compared_with = (place) => place === null ? null
  : svg('line', { class: 'usual', x1: percent(place), x2: percent(place), y1: '-15%', y2: '115%' });

/** A volume as a length. `volume` null: not known. `usual`: the place of the dashed line, or null. */
export function bar(volume, most, { usual = null, is_part = false, mood = '' } = {}) {
  const dashed = usual === null ? null : usual / most;
  if (volume === null) return drawing('bar', svg('rect', { class: 'none', width: '100%', height: '100%', fill: 'url(#unclear)' }), compared_with(dashed));
  const length = percent(volume / most);
  return drawing('bar', svg('rect', { class: `${is_part ? 'part' : 'whole'} ${mood}`, width: length, height: '100%', fill: is_part ? 'url(#part)' : null }),
    // A bar that exceeds the scale is visibly cut off.
    volume > most ? [0.94, 0.965].map((x) => svg('line', { class: 'cut', x1: percent(x), x2: percent(x + 0.012), y1: '110%', y2: '-10%' })) : null,
    compared_with(dashed));
}

/** A stretch of time: filled if water ran, a thin line if it stood still. */
export function band(from, to, stretches, words) {
  const at = (time) => (time - from) / (to - from);
  return drawing('band', stretches.map((one) => {
    const place = { x: percent(at(one.from)), width: percent(at(one.to) - at(one.from)) };
    const lies = { still: { y: '42%', height: '16%' }, flow: { y: '0', height: '100%' }, unclear: { y: '15%', height: '70%' } }[one.state];
    return svg('rect', { class: one.state, ...place, ...lies, fill: one.state === 'unclear' ? 'url(#unclear)' : null }, svg('title', {}, words(one)));
  }));
}

export const swatch = (kind) => h('span', { class: `swatch ${kind}`, 'aria-hidden': 'true' });

/** The meaning of marks: pairs of a swatch's kind and its words. */
export const legend = (...pairs) => h('p', { class: 'key legend' }, pairs.filter(Boolean).map(([kind, words]) => h('span', { class: 'together' }, swatch(kind), words)));

/** Round numbers for an axis: its end, at or above the value, and half of it, both with few digits. */
export function round_up(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return [1, 1.5, 2, 3, 4, 5, 6, 8, 10].map((step) => step * power).find((step) => step >= value * 0.999_999);
}
