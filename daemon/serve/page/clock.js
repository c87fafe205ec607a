// The server's clock when it is in doubt: a person may look at it and say that it is right.

import { get, post } from './ask.js';
import { find, h, replace } from './dom.js';
import { date_and_clock, sentence } from './words.js';

const button = (key, text, act) => h('button', { type: 'button', 'data-key': key, on: { click: act } }, text);

let right_at = 0;  // When it was last said to be right. Answers requested before that are outdated.

async function say_right(acts) {
  const said = find('#clock .said');
  try {
    const answer = await post('/v1/clock', { right: true });
    right_at = performance.now();
    said.textContent = sentence(answer.text);
    replace(find('#clock .body'));
  } catch (error) {
    said.textContent = acts.words_for(error);
  }
  acts.changed('health', 'building');
}

/** All dates depend on the clock, so it is shown first: one hasty tap must not confirm it. */
async function ask_first(acts) {
  try {
    const { server_time } = await get('/v1/clock');
    replace(find('#clock .body'), h('p', { class: 'acts' }, `The server’s clock says ${date_and_clock(server_time)}, ${server_time.slice(0, 4)}. Is that right now? `,
      button('clock-yes', 'Yes, it is right', () => say_right(acts)), button('clock-no', 'No', () => offer(acts))));
    find('#clock [data-key="clock-yes"]').focus();
  } catch (error) {
    find('#clock .said').textContent = acts.words_for(error);
  }
}

function offer(acts) {
  replace(find('#clock .body'), h('p', { class: 'acts' }, button('clock', 'Look at the server’s clock', () => ask_first(acts))));
}

export function show_clock(state, acts) {
  if (state.asked_at.health < right_at) return;
  const is_asked = state.data.health.clock_doubted && acts.may_change();
  if (!is_asked) replace(find('#clock .body'));
  else if (!find('#clock .body').firstChild) {
    find('#clock .said').textContent = '';
    offer(acts);
  }
}
