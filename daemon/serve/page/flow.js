// One day's flow by interval, above the draws found in it.

import { legend, round_up } from './chart.js';
import { find, h, percent, replace, svg, table } from './dom.js';
import { axis_number, clock, date_after, flow, full_date, in_unit, instant, length, seconds_of, unit_word, volume } from './words.js';
import { lanes } from './draws.js';

const per_minute = (row) => (row.volume_l / seconds_of(row)) * 60;

function hour_marks(rows, at) {
  return rows.filter((row) => row.from.slice(14, 16) === '00' && Number(row.from.slice(11, 13)) % 3 === 0)
    .map((row) => {
      const hour = Number(row.from.slice(11, 13));
      return [
        svg('line', { class: 'grid', x1: percent(at(row.from)), x2: percent(at(row.from)), y1: '0', y2: '86%' }),
        svg('text', { class: hour % 6 ? 'odd' : null, x: percent(at(row.from)), y: '98%',
          'text-anchor': hour ? 'middle' : 'start' }, clock(row.from)),
      ];
    });
}

const top_percent = 6;
const high_percent = 80;

function chart(rows) {
  const from = instant(rows[0].from);
  const whole = instant(rows.at(-1).to) - from;
  const at = (time) => (instant(time) - from) / whole;
  const known = rows.filter((row) => row.ticks !== null);
  const most = round_up(Math.max(...known.map(per_minute).map(in_unit), 0.1));
  const bars = rows.map((row) => {
    const place = { x: percent(at(row.from)), width: percent(at(row.to) - at(row.from)) };
    // Time still to come is blank, not unknown.
    if (row.ticks === null) {
      return known.some((one) => one.from > row.from)
        ? svg('rect', { class: 'none', ...place, y: `${top_percent}%`, height: `${high_percent}%`, fill: 'url(#unclear)' }) : null;
    }
    const height = (in_unit(per_minute(row)) / most) * high_percent;
    return height <= 0 ? null : svg('rect', { class: 'flow', ...place, y: `${top_percent + high_percent - height}%`, height: `${height}%` },
      svg('title', {}, `${clock(row.from)} to ${clock(row.to)}: ${volume(row.volume_l)}`));
  });
  const levels = [0, 0.5, 1].map((part) => {
    const y = `${top_percent + high_percent * (1 - part)}%`;
    return [svg('line', { class: part ? 'grid' : 'ground', x1: '0', x2: '100%', y1: y, y2: y }),
      svg('text', { class: 'level', x: '0', dx: '-6', y, dy: '4', 'text-anchor': 'end' },
        part === 1 ? `${axis_number(most)} ${unit_word()}/min` : axis_number(most * part))];
  });
  const peak = known.reduce((a, b) => (a && a.volume_l >= b.volume_l ? a : b), null);
  const told = `Flow of the day: ${volume(known.reduce((sum, row) => sum + row.volume_l, 0))} in all, ` +
    (peak && peak.ticks > 0 ? `most at ${clock(peak.from)} with ${flow(per_minute(peak) * 60)}.` : 'no tick.') +
    ' The uses and hours below tell the same in words.';
  return h('div', { class: 'plot' }, svg('svg', { class: 'day', role: 'img', 'aria-label': told }, hour_marks(rows, at), levels, bars));
}

function by_hour(rows) {
  const hours = new Map();
  for (const row of rows) {
    const hour = row.from.slice(0, 13) + row.from.slice(19);
    const sum = hours.get(hour) ?? { from: row.from, volume_l: null };
    if (row.volume_l !== null) sum.volume_l = (sum.volume_l ?? 0) + row.volume_l;
    hours.set(hour, sum);
  }
  return h('details', { 'data-key': 'hours' }, h('summary', {}, 'Hour by hour, in words'),
    table('Volume of each hour', ['Hour from', { text: 'Volume', number: true }],
      [...hours.values()].map((hour) => [clock(hour.from), volume(hour.volume_l)])));
}

export function show_flow(state, acts) {
  const { rows } = state.data.flow;
  const date = acts.day();
  const step = (days, text, key) => h('button', { type: 'button', 'data-key': key,
    disabled: date_after(date, days) > acts.today(), on: { click: () => acts.choose_day(date_after(date, days)) } }, text);
  find('#day-title').textContent = rows.length ? full_date(rows[0].from) : 'One day';
  const known = rows.filter((row) => row.ticks !== null);
  replace(find('#flow'),
    h('p', { class: 'acts' }, step(-1, 'Day before', 'day-before'), step(1, 'Day after', 'day-after'),
      date === acts.today() ? null : h('button', { type: 'button', 'data-key': 'today', on: { click: () => acts.choose_day(acts.today()) } }, 'Today')),
    known.length === 0 ? h('p', {}, 'Nothing is known of this day.')
      : [chart(rows), lanes(state.data.draws, instant(rows[0].from), instant(rows.at(-1).to)),
        legend(['flow', `flow, the mean of each ${length(seconds_of(rows[0]))}`], ['unclear', 'not known']),
        by_hour(rows)]);
}
