// The notices at the top of the page: troubles, each with its place and what to do.

import { h } from './dom.js';
import { ago, date_and_clock, instant, name_of, number, sentence } from './words.js';

const shown_most = 6;

const messages = (count) => (count === 1 ? '1 message' : `${number(count)} messages`);

const remedies = {
  unreadable: 'They are not booked. Compare what the node sends with this meter’s configuration: the form of its messages and the names of the fields.',
  stray: 'They change nothing by themselves. Once or twice, as after a disturbance, is harmless; if it goes on, look at the sensor, its cable and the node.',
};

/** A sentence on why a meter's messages of the last day were refused. */
function refused_words(meter, now) {
  const { unreadable, stray, reason, topic, text, last_at } = meter.refused;
  const counts = [unreadable ? `${messages(unreadable)} could not be read` : null,
    stray ? `${messages(stray)} had an impossible count` : null].filter(Boolean).join(', and ');
  return h('li', { 'data-refused': meter.id }, h('strong', {}, `${name_of(meter.id)}: `),
    `in the last 24 hours ${counts}; the last one came on the topic `, h('code', {}, topic), `, ${ago(last_at, now)}: ${sentence(text).replace(/\.$/, '')}. `,
    remedies[reason]);
}

/** Many silent nodes give one line. The list of meters marks each of them. */
function silent_words(meters) {
  const silent = meters.filter((meter) => meter.silent_since);
  if (silent.length === 0) return null;
  const one = silent[0];
  const remedy = 'Check its power, its radio link and the broker. If the node keeps its count, water that runs meanwhile is counted when it sends again.';
  return silent.length === 1
    ? h('li', {}, h('strong', {}, `${name_of(one.id)}: `), `its node has been silent since ${date_and_clock(one.silent_since)}. ${remedy}`)
    : h('li', {}, h('strong', {}, `${number(silent.length)} nodes are silent. `), 'If all of one staircase are silent, check the power and the radio link there first. Each is marked in the list of all meters.');
}

const says_silence = (trouble) => /^The node of \S.* has been silent since/.test(trouble);
const says_refused = (trouble) => /^(A message|\d+ messages) of \S+ in the last hour (could not be read|did not fit)/.test(trouble);

/** Everything that needs a look, as list items; empty if nothing does. */
export function troubles_of(state) {
  const { health, building } = state.data;
  const meters = building?.meters ?? [];
  const now = instant(health.time);
  const no_meter = meters.length === 0;
  // Refused messages are reported below from the building's data, for a whole day and with the meter's name.
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
