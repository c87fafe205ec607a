// The last days as bars. Incomplete days are marked, and a day without data does not look like zero.

import { bar, legend } from './chart.js';
import { find, h, replace, table } from './dom.js';
import { day_word, length, seconds_of, volume } from './words.js';

const patience_s = 60;  // The last reading of a day ends shortly after it.

function notes_of(row, is_today) {
  if (row.volume_l === null) return is_today ? 'nothing yet' : 'no data';
  const missing_s = seconds_of(row) - row.covered_s;
  const notes = [];
  if (is_today) notes.push('so far');
  else if (missing_s > patience_s) notes.push(`incomplete: ${length(missing_s)} not seen`);
  if (row.spread_ticks > 0) notes.push('partly spread over time');
  return notes.join('; ');
}

export function show_days(state, acts) {
  const { rows } = state.data.days;
  const usual = state.data.today.usual?.volume_l ?? null;
  const most = Math.max(usual ?? 0, ...rows.map((row) => row.volume_l ?? 0), 0.001) * 1.02;
  const cells = [...rows].reverse().map((row) => {
    const date = row.from.slice(0, 10);
    const is_today = date === acts.today();
    const notes = notes_of(row, is_today);
    return [
      h('button', { type: 'button', class: 'link', 'data-key': `day-${date}`, 'data-date': date, 'aria-pressed': date === acts.day() ? 'true' : 'false',
        on: { click: () => { acts.choose_day(date); show_days(state, acts); find('#day').scrollIntoView({ block: 'nearest' }); } } },
      h('span', { class: 'heard' }, 'Show '), is_today ? 'today' : day_word(row.from)),
      bar(row.volume_l, most, { usual, is_part: notes !== '' }),
      volume(row.volume_l),
      notes,
    ];
  });
  replace(find('#days .body'),
    table('Volume of each day', ['Day', 'Bar', { text: 'Volume', number: true }, 'Notes'], cells, { class: 'bars' }),
    legend(usual === null ? null : ['usual', `a usual day: ${volume(usual)}`], ['part', 'incomplete, or so far'], ['unclear', 'no data']),
    h('p', { class: 'key' }, 'Choose a day to see its flow and uses.'));
}
