// A recording of ten known days: a house with a leak and a garden with a gap, together with the true volumes.

/** A zone without summer time whose clock shows 8:00 to 23:00 now: the day's first shower has ended, and no day ends during the test. */
const utc_hour = new Date().getUTCHours();
export const zone = utc_hour >= 4 && utc_hour < 18 ? 'Asia/Dubai' : 'America/Bogota';
export const days = 10;
const cadence_s = 180;
const minute = 60;
const flat_days = 4;

/** The zone's offset from UTC at a moment, in seconds. */
function offset_s(time_s) {
  const parts = Object.fromEntries(new Intl.DateTimeFormat('en-US', { timeZone: zone, hourCycle: 'h23', year: 'numeric',
    month: 'numeric', day: 'numeric', hour: 'numeric', minute: 'numeric', second: 'numeric' })
    .formatToParts(time_s * 1000).map(({ type, value }) => [type, Number(value)]));
  return Date.UTC(parts.year, parts.month - 1, parts.day, parts.hour, parts.minute, parts.second) / 1000 - time_s;
}

const date_of = (time_s) => new Date((time_s + offset_s(time_s)) * 1000).toISOString().slice(0, 10);

/** The moment that is `seconds` after the date's midnight by the zone's clock. */
function civil(date, seconds) {
  const guess = Date.parse(`${date}T00:00:00Z`) / 1000 + seconds;
  return guess - offset_s(guess - offset_s(guess));
}

export function date_after(date, count) {
  return new Date(Date.parse(`${date}T00:00:00Z`) + count * 86_400_000).toISOString().slice(0, 10);
}

/** The moments of all ticks of the house, in order: a shower each morning, more in the evening, and a leak. */
function house_ticks(first, today, now_s, leak_from_s) {
  const ticks = [];
  for (let i = 0; i <= days; ++i) {
    const date = date_after(first, i);
    for (let k = 0; k < 48; ++k) ticks.push(civil(date, 7 * 3600 + 3 + k * 7.5));
    for (let k = 0; k < 20 + 3 * i; ++k) ticks.push(civil(date, 19 * 3600 + 3 + k * 6));
  }
  for (let t = leak_from_s; t < now_s; t += 6 * minute) ticks.push(t);
  return ticks.filter((t) => t < now_s).sort((a, b) => a - b);
}

/** Hourly counts of many flats over the last days: ten litres an hour, but 120 for flat-7 today. */
function flat_lines(flats, today, end_s) {
  const lines = [];
  for (let t = civil(date_after(today, -flat_days), 0), seq = 1; t <= end_s; t += 3600, ++seq) {
    const hours = seq - 1;
    const hours_today = Math.max(0, (t - civil(today, 0)) / 3600);
    for (let flat = 1; flat <= flats; ++flat)
      lines.push([t, `flats/${flat}`, { count: 10 * hours + (flat === 7 ? 110 * hours_today : 0), boot: 1, seq }]);
  }
  return lines;
}

const line = (time_s, topic, payload) => JSON.stringify({
  tst: new Date(time_s * 1000).toISOString(), topic, qos: 1, retain: 0, payload: JSON.stringify(payload) });

/** `now_s` is in whole seconds. The recording ends at the last whole cadence before it. */
export function make_history(now_s, flats = 0) {
  const end_s = Math.floor(now_s / cadence_s) * cadence_s;
  const today = date_of(end_s);
  const first = date_after(today, -days);
  const begin_s = civil(first, 0);
  // The leak starts on the evening before yesterday's night, so at any hour one full night of it has ended.
  const leak_date = date_after(today, -2);
  const leak_from_s = civil(leak_date, 22 * 3600) + 90;
  const ticks = house_ticks(first, today, end_s, leak_from_s);
  const hole_date = date_after(today, -3);
  const hole = [civil(hole_date, 10 * 3600), civil(hole_date, 13 * 3600)];

  const lines = [];
  let seq = 0;
  let count = 0;
  for (let t = begin_s; t <= end_s; t += cadence_s) {
    while (count < ticks.length && ticks[count] <= t) ++count;
    ++seq;
    lines.push(line(t, 'nodes/house', { count, boot: 1, seq }));
    if (t > hole[0] && t <= hole[1]) continue;
    lines.push(line(t, 'nodes/garden', { pulses: 0, boot: 1, seq }));
  }
  if (flats) {
    const all = [...lines.map((text) => [Date.parse(JSON.parse(text).tst) / 1000, text]),
      ...flat_lines(flats, today, end_s).map((one) => [one[0], line(...one)])];
    lines.splice(0, lines.length, ...all.sort((a, b) => a[0] - b[0]).map(([, text]) => text));
  }
  const per_date = new Map();
  const per_hour = new Map();
  for (const tick of ticks) {
    // A tick counts in the message after it. These messages fall in the same hours and days.
    const date = date_of(tick);
    per_date.set(date, (per_date.get(date) ?? 0) + 1);
    const hour = `${date} ${new Date((tick + offset_s(tick)) * 1000).toISOString().slice(11, 13)}`;
    per_hour.set(hour, (per_hour.get(hour) ?? 0) + 1);
  }
  return { recording: `${lines.join('\n')}\n`, today, first, leak_date, hole_date, end_s, begin_s, seq, count, per_date, per_hour };
}
