// Months and years, each beside the year before, with their cost.

import { bar, legend } from './chart.js';
import { find, h, replace, table } from './dom.js';
import { cost, instant, length, month_word, seconds_of, volume, year_word } from './words.js';

const patience_s = 3600;  // A month that lacks less than this is not marked incomplete.
const cadences_believed = 2;

/** The daemon's time when the months and years were asked for. They are read seldom. */
const asked_when = ({ time, asked_at }) => instant(time) - (Math.max(asked_at.health, asked_at.today ?? 0) - asked_at.years);

function notes_of(row, state) {
  const now = asked_when(state);
  const is_open = instant(row.to) > now;
  const missing_s = (is_open ? (now - instant(row.from)) / 1000 : seconds_of(row)) - row.covered_s;
  // What the next message will cover is not missing.
  const { cadence_s } = state.data.building.meters.find((one) => one.id === state.meter);
  const is_missing = missing_s > Math.max(patience_s, is_open ? cadences_believed * cadence_s : 0);
  return [is_open ? 'so far' : null, is_missing ? `${length(missing_s)} not seen` : null].filter(Boolean).join('; ');
}

const year_of = (row) => row.from.slice(0, 4);
const has_data = (row) => row.volume_l !== null;

function list(state, caption, rows, before_of, word_of) {
  const { currency } = state.data.building;
  const most = Math.max(...rows.flatMap((row) => [row.volume_l ?? 0, before_of(row)?.volume_l ?? 0]), 1) * 1.02;
  const has_before = rows.some((row) => before_of(row)?.volume_l);
  return table(caption, ['Time', 'Drawn', { text: 'Volume', number: true }, has_before ? { text: 'Year before', number: true } : null,
    currency ? { text: 'Cost', number: true } : null, 'Notes'].filter(Boolean),
  [...rows].reverse().map((row) => {
    const notes = notes_of(row, state);
    const before = before_of(row)?.volume_l ?? null;
    return [word_of(row), bar(row.volume_l, most, { usual: before, is_part: notes !== '' }), volume(row.volume_l),
      has_before ? (before === null ? '' : volume(before)) : null, currency ? cost(row.cost, currency) : null, notes].filter((cell) => cell !== null);
  }), { class: 'bars' });
}

export function show_years(state) {
  const { months, years, building: { currency } } = state.data;
  const known_months = months.rows.slice(months.rows.findIndex(has_data)).filter((row, i, all) => has_data(all[0]) && has_data(row));
  if (known_months.length === 0) return replace(find('#years .body'), h('p', {}, 'No month has been seen yet.'));
  const this_year = year_of(months.rows.at(-1));
  const month_before = (row) => months.rows.find((one) => one.from.slice(5, 7) === row.from.slice(5, 7) && Number(year_of(one)) === Number(year_of(row)) - 1);
  const year_before = (row) => years.rows.find((one) => Number(year_of(one)) === Number(year_of(row)) - 1);
  const shown = known_months.filter((row) => year_of(row) === this_year);
  const earlier = known_months.filter((row) => year_of(row) !== this_year);
  const known_years = years.rows.filter(has_data);
  replace(find('#years .body'),
    shown.length ? list(state, 'Volume of each month', shown, month_before, (row) => month_word(row.from)) : null,
    earlier.length ? h('details', { 'data-key': 'last-year' }, h('summary', {}, `The months of ${Number(this_year) - 1}`),
      list(state, 'Volume of each month of last year', earlier, month_before, (row) => month_word(row.from))) : null,
    h('h3', {}, 'Years'),
    list(state, 'Volume of each year', known_years, year_before, (row) => year_word(row.from)),
    legend(['usual', 'the same time of the year before'], ['part', 'incomplete, or so far']),
    currency ? h('p', { class: 'key' }, 'The cost is what the configured tariff makes of what a sensor saw, and no bill.') : null);
}
