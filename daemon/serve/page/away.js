// Being away: while nobody is at home, any tick raises an alarm.

import { of_meter, post, remove } from './ask.js';
import { find, h, replace } from './dom.js';
import { date_and_clock, name_of } from './words.js';

async function say(state, acts, tell) {
  const said = find('#away .said');
  try {
    await tell();
    said.textContent = '';
  } catch (error) {
    said.textContent = acts.words_for(error);
  }
  acts.changed('building');
}

export function show_away(state, acts) {
  const meter = state.data.building.meters.find((one) => one.id === state.meter);
  if (!meter) return;
  const path = of_meter(state.meter, 'away');
  const button = (key, text, tell) => h('button', { type: 'button', 'data-key': key, on: { click: () => say(state, acts, tell) } }, text);
  const back = button('back', 'Somebody is back', () => remove(path));
  const place = find('#away .body');
  if (meter.away_from || meter.away) {
    const until = meter.away_to ? ` until ${date_and_clock(meter.away_to)}` : ' until you say otherwise';
    return replace(place, h('p', {}, meter.away ? `Nobody is at home at ${name_of(meter.id)}${until}: any water that runs raises an alarm.`
      : `From ${date_and_clock(meter.away_from)} on nobody is at home at ${name_of(meter.id)}${until}.`),
    h('p', { class: 'small' }, 'Shutting the main valve is safer than any alarm.'), h('p', { class: 'acts' }, back));
  }
  if (place.querySelector('[data-key="leave"]') && place.dataset.meter === meter.id) return;  // Do not replace the form while somebody chooses the day.
  place.dataset.meter = meter.id;
  const until = h('input', { type: 'date', min: acts.today(), 'data-key': 'until' });
  replace(place, h('p', {}, 'While everybody is away, any water that runs raises an alarm.'),
    h('p', { class: 'small' }, 'Shutting the main valve is safer than any alarm.'),
    h('p', { class: 'acts' }, h('label', {}, 'Back on (may be left out) ', until),
      button('leave', 'Everybody leaves now', () => post(path, until.value ? { away: true, to: until.value } : { away: true }))));
}
