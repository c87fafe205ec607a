// Months and years, each beside the year before, with their cost.

import { bar, legend } from './chart.js';
import { find, h, replace, table } from './dom.js';
import { cost, length, month_word, seconds_of, volume, year_word } from './words.js';

const patience_s = 3600;  // A month that lacks less than this is not marked incomplete.

function notes_of(row, is_last) {
  if (row.volume_l === null) return is_last ? 'nothing yet' : '';
  const missing_s = seconds_of(row) - row.covered_s;
  if (is_last) return 'so far';
  return missing_s > patience_s ? `${length(missing_s)} not seen` : '';
}

const year_of = (row) => row.from.slice(0, 4);
const has_data = (row) => row.volume_l !== null;

function list(caption, rows, before_of, word_of, currency) {
  const most = Math.max(...rows.flatMap((row) => [row.volume_l ?? 0, before_of(row)?.volume_l ?? 0]), 1) * 1.02;
  const has_before = rows.some((row) => before_of(row)?.volume_l);
  return table(caption, ['Time', 'Drawn', { text: 'Volume', number: true }, has_before ? { text: 'Year before', number: true } : null,
    currency ? { text: 'Cost', number: true } : null, 'Notes'].filter(Boolean),
  [...rows].reverse().map((row) => {
    const notes = notes_of(row, row === rows.at(-1));
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
    shown.length ? list('Volume of each month', shown, month_before, (row) => month_word(row.from), currency) : null,
    earlier.length ? h('details', { 'data-key': 'last-year' }, h('summary', {}, `The months of ${Number(this_year) - 1}`),
      list('Volume of each month of last year', earlier, month_before, (row) => month_word(row.from), currency)) : null,
    h('h3', {}, 'Years'),
    list('Volume of each year', known_years, year_before, (row) => year_word(row.from), currency),
    legend(['usual', 'the same time of the year before'], ['part', 'incomplete, or so far']),
    currency ? h('p', { class: 'key' }, 'The cost is what the configured tariff makes of what a sensor saw, and no bill.') : null);
}
