// The form for a reading by eye.

import { of_meter, post } from './ask.js';
import { find } from './dom.js';

/** "1234,567" as many write it; what has more than one sign is left for the daemon to refuse. */
const decimal = (text) => (text.includes('.') || text.split(',').length !== 2 ? text : text.replace(',', '.'));

export function prepare_reading(state, acts) {
  const form = find('#reading');
  const shown = find('#shown');
  const said = find('#reading-said');
  form.addEventListener('submit', async (event) => {
    event.preventDefault();
    const digits = decimal(shown.value.trim().replace(/[\s\u00a0\u202f]/g, ''));
    if (!/^\d+(\.\d+)?$/.test(digits)) {
      said.textContent = `“${shown.value}” is no number. Enter the digits of the meter’s face, like 1234.567.`;
      shown.setAttribute('aria-invalid', 'true');
      return shown.focus();
    }
    shown.removeAttribute('aria-invalid');
    const unit = find('#shown-unit').value;
    const body = unit === 'm3' ? { reading_m3: digits } : { reading: `${digits} ${unit}` };
    if (find('#starts').checked) body.start = true;
    try {
      const answer = await post(of_meter(state.meter, 'register'), body);
      said.textContent = answer.text;
      form.reset();
    } catch (error) {
      said.textContent = acts.words_for(error);
    }
    acts.changed('register', 'meters', 'today', 'days');
  });
}
