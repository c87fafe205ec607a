// Formats numbers, times and units for the reader's language, in the site's civil time.

const litres_in = { l: 1, gal_us: 3.785411784, gal_imp: 4.54609 };  // The gallons: exact by definition.
const unit_words = { l: 'L', gal_us: 'US gal', gal_imp: 'imp gal' };

let unit = 'l';
let zone = 'UTC';
let names = new Map();

export function set_unit(name) {
  unit = name in litres_in ? name : 'l';
}

/** If this browser does not know the zone, times stay in UTC. */
export function set_zone(name) {
  try {
    new Intl.DateTimeFormat(undefined, { timeZone: name });
    zone = name;
  } catch {
    zone = 'UTC';
  }
}

/** Sets the names of the meters: each has an `id` and may have a `name`. */
export function set_names(meters) {
  names = new Map(meters.map((meter) => [meter.id, meter.name || meter.id]));
}
export const name_of = (id) => names.get(id) ?? id;

export const in_unit = (litres) => litres / litres_in[unit];
export const unit_word = () => unit_words[unit];

export const number = (value, digits = 0) =>
  new Intl.NumberFormat(undefined, { minimumFractionDigits: digits, maximumFractionDigits: digits }).format(value);

/** A number of an axis with all its digits, because half of 15 is 7.5. */
export const axis_number = (value) => new Intl.NumberFormat(undefined, { maximumSignificantDigits: 4 }).format(value);

/** A volume: whole above a hundred, otherwise with one digit. */
export function volume(litres) {
  if (litres === null || litres === undefined) return 'no data';
  const amount = in_unit(litres);
  return `${number(amount, Math.abs(amount) < 100 ? 1 : 0)} ${unit_word()}`;
}

/** The volume of a tick, with all its digits. */
export const step = (litres) =>
  `${new Intl.NumberFormat(undefined, { maximumFractionDigits: 3 }).format(in_unit(litres))} ${unit_word()}`;

export function flow(l_per_h) {
  const amount = in_unit(l_per_h);
  return amount >= 60
    ? `${number(amount / 60, 1)} ${unit_word()} a minute`
    : `${number(amount, 1)} ${unit_word()} an hour`;
}

/** Cubic metres, to the litre. */
export const cubic_metres = (m3) => (m3 === null ? 'no data' : `${number(m3, 3)} m³`);

export function cost(amount, currency) {
  if (amount === null || amount === undefined) return '';
  try {
    return new Intl.NumberFormat(undefined, { style: 'currency', currency }).format(amount);
  } catch {
    return `${number(amount, 2)} ${currency}`;  // The currency is not a code of ISO 4217.
  }
}

/** "12 × usual", or words if it is near the usual. */
export function times_usual(litres, usual) {
  if (litres === null || usual === null) return '';
  if (usual < 1) return litres < 1 ? 'as usual' : 'usually nothing';
  const times = litres / usual;
  if (times >= 1.75) return `${number(times, times < 10 ? 1 : 0)} × usual`;
  if (times > 1.25) return 'more than usual';
  return times < 0.6 ? 'less than usual' : 'as usual';
}

export const instant = (text) => new Date(text);
export const seconds_of = (span) => (instant(span.to) - instant(span.from)) / 1000;

const written = (time, options) =>
  new Intl.DateTimeFormat(undefined, { timeZone: zone, ...options }).format(time instanceof Date ? time : instant(time));

export const clock = (time) => written(time, { hour: '2-digit', minute: '2-digit' });
export const clock_to_the_second = (time) =>
  written(time, { hour: '2-digit', minute: '2-digit', second: '2-digit' });
export const day_word = (time) => written(time, { weekday: 'short', day: 'numeric', month: 'short' });
export const month_word = (time) => written(time, { month: 'short' });
export const year_word = (time) => written(time, { year: 'numeric' });
export const date_and_clock = (time) =>
  written(time, { day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' });
export const full_date = (time) =>
  written(time, { weekday: 'long', day: 'numeric', month: 'long', year: 'numeric' });

/** A calendar date, without a zone. */
const calendar_day = (date) => new Intl.DateTimeFormat(undefined, { timeZone: 'UTC', day: 'numeric', month: 'short', year: 'numeric' })
  .format(new Date(`${date}T00:00:00Z`));

/** A date some days after "2026-03-01". Calendar dates, without a zone. */
export function date_after(date, days) {
  const day = new Date(`${date}T00:00:00Z`);
  day.setUTCDate(day.getUTCDate() + days);
  return day.toISOString().slice(0, 10);
}

/** 95 s is "1 min 35 s", 8000 s is "2 h 13 min". */
export function length(seconds) {
  const whole = Math.round(seconds);
  if (whole < 60) return `${whole} s`;
  if (whole < 600 && whole % 60) return `${Math.floor(whole / 60)} min ${whole % 60} s`;
  const minutes = Math.round(whole / 60);
  if (minutes < 60) return `${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
  return `${Math.round(hours / 24)} days`;
}

export function ago(time, now) {
  const seconds = (now - instant(time)) / 1000;
  return seconds < 10 ? 'just now' : `${length(seconds < 120 ? Math.round(seconds / 10) * 10 : Math.round(seconds / 60) * 60)} ago`;
}

const span_units = { s: 's', min: 'min', h: 'h', d: 'days', w: 'weeks' };

/**
 * Adapts the daemon's sentences for the page: times and dates in the reader's form, "30min" as "30 min", meters by
 * their names, and nothing that is meant for the terminal.
 */
export function sentence(text) {
  return text
    .replace(/[^.!?;:]*`tickledger [^`]*`[^.!?]*[.!?]\s*/g, ' ').replaceAll('`', '')
    .replace(/\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?([+-]\d\d:\d\d|Z)/g, (time) => date_and_clock(time))
    .replace(/(\d{4}-\d\d-\d\d) (\d\d:\d\d)/g, (_, date, time) => `${calendar_day(date)}, ${time}`)
    .replace(/\d{4}-\d\d-\d\d/g, calendar_day)
    .replace(/(?<=^|[\s(]|\d[hdw])(\d+)(min|s|h|d|w)(?![a-z])/g, (_, count, word) => `${count} ${span_units[word]} `)
    .replace(/ (?=[.,;:)])/g, '').replace(/[;:]\s*$/, '.').replace(/\s{2,}/g, ' ').trim();
}

export const alarm_words = {
  'night-flow': 'Water ran all night',
  'slow-leak': 'A slow leak',
  'high-flow': 'Very high flow',
  'long-draw': 'Water runs very long',
  'away-use': 'Water runs while everybody is away',
  'node-silent': 'The node is silent',
  'counter-fault': 'The counter needs a look',
  backflow: 'Water ran backwards',
  stagnation: 'No water was drawn for long',
};
export const alarm_word = (kind) => alarm_words[kind] ?? kind.replaceAll('-', ' ');

const label_words = {
  flush: 'toilet', shower: 'shower', tap: 'tap', washer: 'washing machine', bath: 'bath', hose: 'hose', leak: 'leak',
  unknown: 'not known',
};
export const label_word = (label) => label_words[label] ?? label.replaceAll('-', ' ');
