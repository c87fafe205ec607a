// For a person who has just begun: what works already, and what to do next.

import { find, h, replace } from './dom.js';
import { name_of, number } from './words.js';

const step = (is_done, title, ...more) => h('li', { class: is_done ? 'done' : null },
  h('strong', {}, title), h('span', { class: 'small' }, is_done ? ' Done.' : ''), more.length ? h('p', { class: 'small' }, more) : null);

/** Shown for a meter with nothing booked yet, or if there is no meter. */
export const is_empty = ({ data: { building }, meter }) =>
  building.meters.length === 0 || (meter !== null && building.meters.find((one) => one.id === meter)?.seen_until === null);

export function show_empty(state) {
  const { health, building } = state.data;
  find('#empty').hidden = !is_empty(state);
  if (!is_empty(state)) return;
  const meter = building.meters.find((one) => one.id === state.meter);
  const { accepted, unreadable } = health.messages;
  find('#empty-title').textContent = meter ? `Nothing has been booked yet for ${name_of(meter.id)}` : 'No meter is here yet';
  replace(find('#empty .body'), h('ol', { class: 'todo' },
    step(true, 'The daemon runs and answers.'),
    step(building.meters.length > 0 || accepted > 0, 'Describe the meter in the configuration.',
      'Enter the topic of its messages, the pulse value, and its permanent flow (Q3). The meter’s plate shows the last two. Then reload the configuration.'),
    step(health.broker.connected, 'Reach the broker.', 'Its address is in the configuration; the top of this page says what the broker answers.'),
    step(accepted > 0, 'Switch the node on.',
      `${number(accepted)} messages have come so far. None of this meter? Then the topic in the configuration is not the one on which the node publishes, or the node is off.`),
    unreadable > 0 ? step(false, 'Make its messages readable.', 'The top of this page says what is wrong with them, and on which topic.') : null,
    step(false, 'Wait for the second message.', 'Water is the difference between two of them. What is usual is known after three whole days; a leak is looked for every night.'),
    step(false, 'Read the meter once, and enter what it shows.', 'From then on this page shows what the meter on the wall shows.')));
}
