// Shows what the meter's face should show, how sure that is, and the readings by eye.

import { of_meter, remove } from './ask.js';
import { find, h, replace } from './dom.js';
import { cubic_metres, date_and_clock, name_of, number, sentence } from './words.js';

async function take_back(state, acts, reading) {
  const said = find('#reading-said');
  try {
    const answer = await remove(of_meter(state.meter, `register?time=${encodeURIComponent(reading.time)}`));
    said.textContent = answer.meter ? 'The reading is taken back, with its adjustment.' : answer.text;
  } catch (error) {
    said.textContent = acts.words_for(error);
  }
  acts.changed('register', 'building', 'today', 'days');
}

const readings = (state, acts, list) => h('details', { 'data-key': 'readings' },
  h('summary', {}, `Readings so far (${number(list.length)})`),
  h('ul', { class: 'readings' }, [...list].reverse().map((reading) => h('li', {},
    h('strong', {}, cubic_metres(reading.reading_m3)), ` ${date_and_clock(reading.time)}. `, sentence(reading.text), ' ',
    acts.may_change() && h('button', { type: 'button', 'data-key': `back-${reading.time}`, 'aria-label': `Take the reading of ${date_and_clock(reading.time)} back`,
      on: { click: () => take_back(state, acts, reading) } }, 'Take back')))));

export function show_register(state, acts) {
  const register = state.data.register;
  const several = state.data.building.meters.length > 1;
  find('#register-title').textContent = several ? `The face of ${name_of(state.meter)}` : 'The meter’s face';
  replace(find('#register .body'),
    h('p', {}, 'It should show ', h('strong', { class: 'face' }, cubic_metres(register.register_m3)),
      register.register_m3 === null ? null
        : register.start_told ? [', surely between ', cubic_metres(register.low_m3), ' and ', cubic_metres(register.high_m3), '.']
          : ', counted from 0: the reading at the start is not known. Read it once, enter it below, and tick the box.'),
    register.start_told === false ? null : h('p', { class: 'small' }, sentence(register.text)));
  replace(find('#readings'), register.readings?.length ? readings(state, acts, register.readings) : null);
}
