// The form for a reading by eye. A surprising reading must be confirmed before it is booked.

import { get, of_meter, post } from './ask.js';
import { find, h, replace } from './dom.js';
import { read_number } from './numbers.js';
import { cubic_metres, number, sentence, volume } from './words.js';

const litres_in = { m3: 1000, L: 1, ft3: 28.316846592, gal_us: 3.785411784, gal_imp: 4.54609 };  // Exact by definition.
const surprising_part = 0.02;  // More than a meter may err on the volume since the last reading,
const surprising_l = 100;      // and more than a bath.

/** One unit of the last digit that was typed, in litres. */
const told_to = (digits, unit) => litres_in[unit] * 10 ** -(digits.split('.')[1]?.length ?? 0);

/** Why a reading is surprising, in sentences; empty if it is not. */
function doubts(register, digits, unit) {
  if (register.register_m3 === null) return [];
  const read_l = Number(digits) * litres_in[unit];
  const difference_l = read_l - register.register_m3 * 1000;
  const step_l = told_to(digits, unit);
  const resolution_l = register.resolution_m3 * 1000;
  const tolerance_l = (register.high_m3 - register.low_m3) * 500;
  const is_coarse = step_l > resolution_l * 1.000_001;
  if (Math.abs(difference_l) <= tolerance_l && !is_coarse) return [];
  if (register.start_told === false) {
    return Math.abs(difference_l) <= tolerance_l ? [] : [`Nobody has said yet where the meter stood when counting began, so the ledger counts from 0. If this is your first reading, tick the box: the ledger goes on from it and adjusts nothing. Otherwise ${volume(Math.abs(difference_l))} become an adjustment.`];
  }
  const should = `The ledger says ${cubic_metres(register.register_m3)}; you read ${cubic_metres(read_l / 1000)}, which is ${volume(Math.abs(difference_l))} ${difference_l < 0 ? 'less' : 'more'}.`;
  if (is_coarse && Math.abs(difference_l) < step_l) {
    return [should, `Your reading is exact only to ${volume(step_l)}, so there may be no real difference. Enter every digit that the meter shows.`];
  }
  if (difference_l < -tolerance_l) {
    return [should, 'A meter that runs forward cannot show less than what has run: perhaps a digit is missing, it is another meter, or the sensor counts too much. Booked, it takes litres away from the last days.'];
  }
  const is_much = difference_l > surprising_l && difference_l > surprising_part * register.register_m3 * 1000 && read_l > register.high_m3 * 1000;
  return is_much ? [should, 'That is much more than can have run unseen, as far as the ledger knows. Perhaps a digit is wrong, or it is another meter.'] : [];
}

export function prepare_reading(state, acts) {
  const form = find('#reading');
  const shown = find('#shown');
  const said = find('#reading-said');
  let turn = 0;  // Counts entries, so that a late answer is not taken for what was typed meanwhile.
  const refuse = (why) => {
    said.textContent = why;
    shown.setAttribute('aria-invalid', 'true');
    shown.focus();
  };

  async function book(meter, body) {
    const mine = turn;
    try {
      const answer = await post(of_meter(meter, 'register'), body);
      if (mine === turn) {
        said.textContent = sentence(answer.text);
        form.reset();
      }
    } catch (error) {
      if (mine === turn) said.textContent = acts.words_for(error);
    }
    acts.changed('register', 'building', 'today', 'days');
  }

  function ask_first(meter, body, why) {
    const button = (key, text, act) => h('button', { type: 'button', 'data-key': key, on: { click: act } }, text);
    const back = button('correct', 'Correct it', () => { said.textContent = ''; shown.focus(); shown.select(); });
    replace(said, why.join(' '), ' ', h('span', { class: 'acts' }, back,
      button('book', `Book ${number(Number(body.reading_m3 ?? body.reading.split(' ')[0]), 3)} anyway`, () => book(meter, body))));
    back.focus();
  }

  form.addEventListener('submit', async (event) => {
    event.preventDefault();
    ++turn;
    const { digits, why } = read_number(shown.value);
    if (why) return refuse(why);
    shown.removeAttribute('aria-invalid');
    const meter = state.meter;
    const unit = find('#shown-unit').value;
    const body = unit === 'm3' ? { reading_m3: digits } : { reading: `${digits} ${unit}` };
    if (find('#starts').checked) return book(meter, { ...body, start: true });
    try {
      const doubtful = doubts(await get(of_meter(meter, 'register')), digits, unit);
      return doubtful.length ? ask_first(meter, body, doubtful) : book(meter, body);
    } catch (error) {
      said.textContent = acts.words_for(error);
    }
  });
}
