// The page's course of things: what is shown, when it is read anew, and what happens when nobody answers.
//
// Everything shown is read from the API. The stream only says that something has changed.

import { NotThere, Refused, get, of_meter } from './ask.js';
import { find, h, replace } from './dom.js';
import { clock_to_the_second, date_after, number, sentence, set_unit, set_zone } from './words.js';
import { show_alarms } from './alarms.js';
import { show_days } from './days.js';
import { show_draws } from './draws.js';
import { show_flow } from './flow.js';
import { show_glance } from './glance.js';
import { show_health } from './health.js';
import { show_meters } from './meters.js';
import { show_nights } from './nights.js';
import { prepare_reading } from './reading.js';
import { show_register } from './register.js';

const days_shown = 14;
const gather_ms = 700;         // What changes together is read together.
const health_rest_ms = 5_000;
const look_again_ms = 30_000;  // Where nothing happens, time still passes.
const troubles_shown = 8;
const many_meters = 200;       // More are not read again with each change, but now and then.
const many_rest_ms = 300_000;
const try_again_ms = 3_000;
const draws_rest_ms = 60_000;  // Draws are the daemon's longest work.

const state = { data: {}, time: null, meter: null, day: null, told_at: null };

/** Where each part of what is shown comes from. */
const sources = {
  health: () => '/v1/health',
  meters: () => '/v1/meters',
  alarms: () => '/v1/alarms',
  today: () => of_meter(state.meter, 'today'),
  register: () => of_meter(state.meter, 'register'),
  nights: () => of_meter(state.meter, `nights?from=${date_after(today(), 1 - days_shown)}`),
  days: () => of_meter(state.meter, `usage?step=day&from=${date_after(today(), 1 - days_shown)}`),
  flow: () => of_meter(state.meter, `usage?step=interval&from=${day()}&to=${date_after(day(), 1)}`),
  draws: () => of_meter(state.meter, `draws?from=${day()}&to=${date_after(day(), 1)}`),
};
const of_one_meter = ['today', 'register', 'nights', 'days', 'flow', 'draws'];

/** What each panel is made of. */
const panels = [
  [['today', 'health', 'alarms', 'nights', 'meters'], show_glance],
  [['alarms'], show_alarms],
  [['days', 'today'], show_days],
  [['nights', 'meters'], show_nights],
  [['flow', 'draws'], show_flow],
  [['draws', 'alarms'], show_draws],
  [['register', 'meters'], show_register],
  [['health'], show_health],
  [['meters', 'alarms', 'health'], show_meters],
];

const today = () => state.time.slice(0, 10);
const day = () => state.day ?? today();

let wanted = new Set();
let reads = Promise.resolve();
let gathering = null;
let draws_read_at = 0;
let meters_read_at = 0;
let health_again = null;

/** Reads these parts, with what else is asked for meanwhile, and shows what they change. */
function want(...names) {
  for (const name of names) wanted.add(name);
  gathering ??= setTimeout(read_wanted, gather_ms);
}

/** The same for somebody who waits for it. */
function want_now(...names) {
  for (const name of names) wanted.add(name);
  read_wanted();
}

/** The list of all meters, unless it is long and was read lately. */
function meters_if_due() {
  const is_short = (state.data.meters?.meters.length ?? 0) <= many_meters;
  if (!is_short && Date.now() - meters_read_at < many_rest_ms) return [];
  meters_read_at = Date.now();
  return ['meters'];
}

function read_wanted() {
  clearTimeout(gathering);
  gathering = null;
  reads = reads.then(read).catch(lose);
}

async function read() {
  const names = wanted;
  wanted = new Set();
  if (names.size === 0) return;
  // What day it is comes before what is asked about it.
  if (names.delete('health') || !state.data.health) await read_health();
  if (names.delete('meters') || !state.data.meters) await read_one('meters');
  choose_meter();
  const meter = state.meter;
  const shown_day = day();
  const rest = [...names].filter((name) => meter || !of_one_meter.includes(name));
  await Promise.all(rest.map(read_one));
  if (meter !== state.meter) return;  // Another choice was made; its answers follow.
  if (shown_day !== day()) return want('days', 'nights', 'flow', 'draws', ...rest);  // Likewise; or it was midnight.
  set_zone(state.data.health.timezone);
  found();
  if (!meter) replace(find('#glance .body'), h('p', {}, 'No meter is here yet: none is configured, or none of a pattern has been heard.'));
  show(['health', 'meters', ...rest]);
}

/** The stream tells of what it sees change; a trouble that came and went between two of its looks is over unsaid. */
async function read_health() {
  await read_one('health');
  clearTimeout(health_again);
  if (state.data.health.troubles.length > 0) health_again = setTimeout(() => want('health'), health_rest_ms);
}

async function read_one(name) {
  const target = sources[name]();
  const answer = await get(target);
  if (name === 'health' || name === 'today') state.time = answer.time;
  if (target === sources[name]()) state.data[name] = answer;
}

function show(names) {
  for (const [needs, show_panel] of panels) {
    if (needs.every((name) => state.data[name]) && needs.some((name) => names.includes(name))) show_panel(state, acts);
  }
}

function choose_meter() {
  const ids = state.data.meters.meters.map((meter) => meter.id);
  if (!ids.includes(state.meter)) {
    const asked = new URLSearchParams(location.hash.slice(1)).get('meter');
    set_meter(ids.includes(asked) ? asked : ids[0] ?? null);
  }
  const choice = find('#meter');
  if (choice.options.length !== ids.length || ids.some((id, i) => choice.options[i].value !== id)) {
    choice.replaceChildren(...ids.map((id) => h('option', { value: id }, id)));
  }
  choice.value = state.meter ?? '';
  find('#meter-choice').hidden = ids.length < 2;
}

function set_meter(meter) {
  if (meter === state.meter) return;
  const is_first = state.meter === null;
  state.meter = meter;
  state.day = null;
  for (const name of of_one_meter) delete state.data[name];
  document.title = meter ? `Water: ${meter}` : 'Water';
  if (!is_first) {
    history.replaceState(null, '', `#meter=${encodeURIComponent(meter)}`);
    listen();
  }
}

/** What people do on the page. */
const acts = {
  choose_meter(meter) {
    set_meter(meter);
    find('#meter').value = meter;
    want_now(...of_one_meter);
  },
  choose_day(date) {
    state.day = date === today() ? null : date;
    delete state.data.flow;
    delete state.data.draws;
    want_now('flow', 'draws');
  },
  today,
  day,
  changed: want_now,
  /** A sentence for what went wrong where somebody did something. */
  words_for(error) {
    if (error instanceof Refused) return error.message;
    lose(error);
    return 'The daemon did not answer. Whether it heard you is not known: saying it again does no harm.';
  },
};

// Live, and what if not.

let stream = null;
let trying = null;

function listen() {
  stream?.close();
  clearTimeout(trying);
  trying = null;
  stream = new EventSource(state.meter ? `/v1/stream?meter=${encodeURIComponent(state.meter)}` : '/v1/stream');
  const on = (event, act) => stream.addEventListener(event, act);
  on('hello', () => want_now(...Object.keys(sources)));
  on('missed', () => want(...Object.keys(sources)));
  const on_shown = (event, act) => on(event, ({ data }) => { if (JSON.parse(data).meter === state.meter) act(); });
  on_shown('reading', () => want('today', 'days', 'register', ...(state.day ? [] : ['flow'])));
  on_shown('interval', () => {
    want('days', 'nights', ...meters_if_due());
    if (state.day || Date.now() - draws_read_at < draws_rest_ms) return;
    draws_read_at = Date.now();
    want('draws');
  });
  on_shown('day', () => want('days', 'today', 'nights'));
  on('alarm', () => want('alarms', 'nights', ...meters_if_due()));
  on('health', () => want('health'));
  stream.onerror = () => lose(new NotThere('the stream ended'));
}

/** The daemon is not heard: say so, mark what is shown as old, and try again. */
function lose(error) {
  if (!(error instanceof NotThere) && !(error instanceof Refused)) console.error(error);
  stream?.close();
  stream = null;
  document.body.dataset.state = 'old';
  const since = state.told_at ? ` What you see is from ${clock_to_the_second(state.told_at)} and may be wrong by now.` : '';
  const why = error instanceof Refused ? `The daemon refuses: ${error.message}` : 'The daemon does not answer.';
  const said = `${why}${since} Trying again every few seconds.`;
  if (find('#trouble').textContent !== said) {
    replace(find('#trouble'), h('p', { class: 'notice bad' }, said));
    find('#live').textContent = state.told_at ? `Not live since ${clock_to_the_second(state.told_at)}` : 'Not live';
  }
  trying ??= setTimeout(listen, try_again_ms);
}

function found() {
  state.told_at = new Date();
  const troubles = state.data.health.troubles;
  document.body.dataset.state = 'live';
  const said = troubles.length === 0 ? [] : [h('div', { class: 'notice' },
    h('p', {}, 'Something needs a look; until then numbers may be late or incomplete:'),
    h('ul', {}, troubles.slice(0, troubles_shown).map((trouble) => h('li', {}, sentence(trouble))),
      troubles.length > troubles_shown ? h('li', {}, `and ${number(troubles.length - troubles_shown)} more`) : null))];
  if (find('#trouble').textContent !== said.map((one) => one.textContent).join('')) replace(find('#trouble'), said);
  find('#live').textContent = `Live. Read at ${clock_to_the_second(state.told_at)}`;
}

function start() {
  const unit = find('#unit');
  unit.value = localStorage.getItem('unit') ?? 'l';
  const choose_unit = () => {
    set_unit(unit.value);
    localStorage.setItem('unit', unit.value);
    if (state.data.health) show(Object.keys(sources));
  };
  choose_unit();
  unit.addEventListener('change', choose_unit);
  find('#meter').addEventListener('change', (event) => acts.choose_meter(event.target.value));
  prepare_reading(state, acts);
  // A hidden page needs no place among those who listen.
  document.addEventListener('visibilitychange', () => {
    if (!document.hidden) return listen();
    stream?.close();
    stream = null;
  });
  setInterval(() => {
    if (stream && document.body.dataset.state === 'live') want('today', ...meters_if_due());
  }, look_again_ms);
  // Which meter is shown comes before what is heard of it.
  reads = reads.then(() => read_one('health')).then(() => read_one('meters')).then(choose_meter).catch(lose).then(() => stream ?? trying ?? listen());
}

start();
