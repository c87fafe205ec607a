// What stands at the top of the page: troubles, each with where it is and what to do.

import { h } from './dom.js';
import { ago, date_and_clock, instant, name_of, number, sentence } from './words.js';

const shown_most = 6;

const messages = (count) => (count === 1 ? '1 message' : `${number(count)} messages`);

const remedies = {
  unreadable: 'Nothing of them is booked. Compare what the node sends with what the configuration says of this meter: the form of its messages and the names of the fields.',
  stray: 'They change nothing by themselves. Once or twice, as after a disturbance, is harmless; if it goes on, look at the sensor, its cable and the node.',
};

/** A sentence for what a meter's messages of the last day were refused for. */
function refused_words(meter, now) {
  const { unreadable, stray, reason, topic, text, last_at } = meter.refused;
  const counts = [unreadable ? `${messages(unreadable)} could not be read` : null,
    stray ? `${messages(stray)} told a count that cannot be` : null].filter(Boolean).join(', and ');
  return h('li', { 'data-refused': meter.id }, h('strong', {}, `${name_of(meter.id)}: `),
    `in the last 24 hours ${counts}; the last one came on the topic `, h('code', {}, topic), `, ${ago(last_at, now)}: ${sentence(text).replace(/\.$/, '')}. `,
    remedies[reason]);
}

/** Silent nodes of a large house are one line; those that are chosen are told in their own panel. */
function silent_words(meters) {
  const silent = meters.filter((meter) => meter.silent_since);
  if (silent.length === 0) return null;
  const one = silent[0];
  const remedy = 'Look at its power, its radio link and the broker; what runs meanwhile is counted when it speaks again, if it keeps its count.';
  return silent.length === 1
    ? h('li', {}, h('strong', {}, `${name_of(one.id)}: `), `its node has been silent since ${date_and_clock(one.silent_since)}. ${remedy}`)
    : h('li', {}, h('strong', {}, `${number(silent.length)} nodes are silent. `), 'Those of one staircase at once: look at its power or its radio link first. Each is marked in the list of all meters.');
}

const says_silence = (trouble) => /^The node of \S.* has been silent since/.test(trouble);
const says_refused = (trouble) => /^(A message|\d+ messages) of \S+ in the last hour (could not be read|did not fit)/.test(trouble);

/** What needs a look, as list items; empty: nothing. */
export function troubles_of(state) {
  const { health, building } = state.data;
  const meters = building?.meters ?? [];
  const now = instant(health.time);
  const no_meter = meters.length === 0;
  // Refused messages are told below from the building, for a day and with the meter's name.
  const told = health.troubles.filter((trouble) => !says_silence(trouble) && !(building && says_refused(trouble)) && !(no_meter && trouble.startsWith('No meter is configured')));
  const refused = meters.filter((meter) => meter.refused && (!state.meter || meter.id === state.meter));
  const rest = told.length + refused.length - shown_most;
  return [
    ...told.slice(0, shown_most).map((trouble) => h('li', {}, sentence(trouble))),
    ...refused.slice(0, Math.max(1, shown_most - told.length)).map((meter) => refused_words(meter, now)),
    silent_words(state.meter ? meters.filter((meter) => meter.id === state.meter) : meters),
    rest > 0 ? h('li', {}, `and ${number(rest)} more`) : null,
  ].filter(Boolean);
}

export const notice = (items) => h('div', { class: 'notice' },
  h('p', {}, h('strong', {}, 'Something needs a look. '), 'Until then numbers may be late or incomplete.'), h('ul', {}, items));
