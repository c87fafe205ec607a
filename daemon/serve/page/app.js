// The page's main loop: what is shown, when it is read again, and what happens when the daemon does not answer.
//
// Everything shown is read from the API. The stream only reports that something changed and that the daemon is alive.

import { NotThere, Refused, get, of_meter } from './ask.js';
import { find, h, replace } from './dom.js';
import { ago, clock_to_the_second, date_after, name_of, set_names, set_unit, set_zone } from './words.js';
import { show_alarms } from './alarms.js';
import { show_away } from './away.js';
import { show_building } from './building.js';
import { show_clock } from './clock.js';
import { show_days } from './days.js';
import { show_draws } from './draws.js';
import { is_empty, show_empty } from './empty.js';
import { show_flow } from './flow.js';
import { show_glance } from './glance.js';
import { show_health } from './health.js';
import { show_nights } from './nights.js';
import { notice, troubles_of } from './notices.js';
import { prepare_reading } from './reading.js';
import { show_register } from './register.js';
import { show_years } from './years.js';

const days_shown = 14;
const gather_ms = 700;         // Changes within this time are read together.
const health_rest_ms = 5_000;
const look_again_ms = 30_000;  // Read again even without events, because time passes.
const try_again_ms = 3_000;
const draws_rest_ms = 60_000;  // Draws cost the daemon the most work.
const silence_ms = 25_000;     // The daemon sends a heartbeat every ten to fifteen seconds.
const usual_rest_ms = 500;               // The usual days of a large building take a few calls.
const building_rest_ms = 2_000;          // The building is read no more often than this,
const building_rest_ms_a_meter = 40;     // and a large one less often.

/** `meter` null: the whole building is shown. `asked_at`: when each part was requested, in ms since the page began. */
const state = { data: {}, asked_at: {}, time: null, meter: null, day: null, told_at: null };

/** The address of each part. */
const sources = {
  health: () => '/v1/health',
  building: () => '/v1/building',
  alarms: () => '/v1/alarms',
  today: () => of_meter(state.meter, 'today'),
  register: () => of_meter(state.meter, 'register'),
  nights: () => of_meter(state.meter, `nights?from=${date_after(today(), 1 - days_shown)}`),
  days: () => of_meter(state.meter, `usage?step=day&from=${date_after(today(), 1 - days_shown)}`),
  months: () => of_meter(state.meter, `usage?step=month&from=${Number(today().slice(0, 4)) - 1}-01-01${with_cost()}`),
  years: () => of_meter(state.meter, `usage?step=year${with_cost()}`),
  flow: () => of_meter(state.meter, `usage?step=interval&from=${day()}&to=${date_after(day(), 1)}`),
  draws: () => of_meter(state.meter, `draws?from=${day()}&to=${date_after(day(), 1)}`),
};
const of_one_meter = ['today', 'register', 'nights', 'days', 'months', 'years', 'flow', 'draws'];
const with_cost = () => (state.data.building.currency ? '&cost=true' : '');

/** The parts that each panel is drawn from. */
const panels = [
  [['building', 'health'], show_empty],
  [['building'], show_building],
  [['today', 'alarms', 'nights', 'building'], show_glance],
  [['alarms', 'building'], show_alarms],
  [['days', 'today'], show_days],
  [['nights', 'building'], show_nights],
  [['flow', 'draws'], show_flow],
  [['draws', 'alarms'], show_draws],
  [['months', 'years', 'building'], show_years],
  [['register', 'building'], show_register],
  [['building'], show_away],
  [['health', 'building'], show_health],
  [['health'], show_clock],
];

const today = () => state.time.slice(0, 10);
const day = () => state.day ?? today();

let wanted = new Set();
let reads = Promise.resolve();
let gathering = null;
let draws_read_at = 0;
let building_read_at = 0;
let building_again = null;
let health_again = null;

/** Reads these parts, together with others requested meanwhile, and redraws the panels that they change. */
function want(...names) {
  for (const name of names) wanted.add(name);
  gathering ??= setTimeout(read_wanted, gather_ms);
}

/** The same at once, for a person who waits for it. */
function want_now(...names) {
  for (const name of names) wanted.add(name);
  read_wanted();
}

/** Reads the building as soon as it may be read again. */
function want_building() {
  const rest_ms = Math.max(building_rest_ms, building_rest_ms_a_meter * (state.data.building?.meters.length ?? 0));
  const wait_ms = building_read_at + rest_ms - Date.now();
  if (wait_ms <= 0) return want('building');
  building_again ??= setTimeout(() => { building_again = null; want('building'); }, wait_ms);
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
  // The day and the list of meters come first, because the other requests depend on them.
  if (names.delete('health') || !state.data.health) await read_health();
  if (names.delete('building') || !state.data.building) await read_building();
  choose_shown();
  const meter = state.meter;
  const shown_day = day();
  const rest = [...names].filter((name) => meter !== null || !of_one_meter.includes(name));
  await Promise.all(rest.map(read_one));
  if (meter !== state.meter) return;  // Another meter was chosen; its answers follow.
  if (shown_day !== day()) return want('days', 'nights', 'flow', 'draws', ...rest);  // Another day was chosen, or midnight passed.
  set_zone(state.data.health.timezone);
  found();
  show(['health', 'building', ...rest]);
}

/** The stream reports changes that it sees. It misses a trouble that comes and goes between two of its looks. */
async function read_health() {
  await read_one('health');
  clearTimeout(health_again);
  if (state.data.health.troubles.length > 0) health_again = setTimeout(() => want('health'), health_rest_ms);
}

/** The daemon works out the usual days of a large building over a few calls. */
async function read_building() {
  building_read_at = Date.now();
  await read_one('building');
  if (state.data.building.usual_pending > 0) setTimeout(() => want('building'), usual_rest_ms);
}

async function read_one(name) {
  const target = sources[name]();
  const asked_at = performance.now();
  const answer = await get(target);
  if (name === 'health' || name === 'today') state.time = answer.time;
  if (target !== sources[name]()) return;
  state.data[name] = answer;
  state.asked_at[name] = asked_at;
}

function show(names) {
  const is_of_meter = state.meter !== null;
  const shown = is_empty(state) ? [] : is_of_meter ? ['glance', 'day', 'days', 'nights', 'years', 'register', 'away'] : [];
  for (const id of ['glance', 'day', 'days', 'nights', 'years', 'register', 'away']) find(`#${id}`).hidden = !shown.includes(id) || !state.data.today;
  find('#health').hidden = false;
  find('#reading').hidden = !acts.may_change();
  find('#away').hidden ||= !acts.may_change();
  for (const [needs, show_panel] of panels) {
    if (needs.every((name) => state.data[name]) && needs.some((name) => names.includes(name))) show_panel(state, acts);
  }
}

/** A single meter is shown at once. With several, the building is shown first. */
function choose_shown() {
  const { meters } = state.data.building;
  set_names(meters);
  const ids = meters.map((meter) => meter.id);
  const asked = state.meter ?? new URLSearchParams(location.hash.slice(1)).get('meter');
  set_meter(ids.includes(asked) ? asked : ids.length === 1 ? ids[0] : null);
  const choice = find('#meter');
  const options = [['', 'all meters'], ...ids.map((id) => [id, name_of(id)])];
  if (choice.options.length !== options.length || options.some(([id, name], i) => choice.options[i].value !== id || choice.options[i].text !== name)) {
    choice.replaceChildren(...options.map(([id, name]) => h('option', { value: id }, name)));
  }
  choice.value = state.meter ?? '';
  find('#meter-choice').hidden = ids.length < 2;
}

function set_meter(meter) {
  if (meter === state.meter) return;
  state.meter = meter;
  state.day = null;
  for (const name of of_one_meter) delete state.data[name];
  find('#reading-said').textContent = '';
  if (meter) document.title = `Water: ${name_of(meter)}`;
}

/** The actions of people on the page. */
const acts = {
  /** Null: all meters. */
  choose_meter(meter) {
    if (meter === state.meter) return;
    history.pushState(null, '', meter ? `#meter=${encodeURIComponent(meter)}` : location.pathname);
    show_meter(meter);
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
  /** False for a tenant, who may change nothing: buttons that the daemon would refuse are not shown. */
  may_change: () => !state.data.health.read_only,
  /** A sentence for an action that failed. */
  words_for(error) {
    if (error instanceof Refused) return error.message;
    lose(error);
    return 'The daemon did not answer. It may or may not have received your request. Trying again does no harm.';
  },
};

function show_meter(meter) {
  set_meter(meter);
  find('#meter').value = meter ?? '';
  scrollTo({ top: 0, behavior: 'instant' });
  if (state.data.building && state.data.health) show(['building', 'alarms', 'health']);
  (meter ? find('#glance') : find('#building-title')).focus({ preventScroll: true });
  want_now('alarms', ...of_one_meter);
  listen();
}

// The live stream, and what happens without it.

let stream = null;
let trying = null;
let heard_at = 0;

function listen() {
  stream?.close();
  clearTimeout(trying);
  trying = null;
  heard_at = Date.now();
  stream = new EventSource(state.meter ? `/v1/stream?meter=${encodeURIComponent(state.meter)}` : '/v1/stream');
  const on = (event, act) => stream.addEventListener(event, (told) => { heard_at = Date.now(); act(told); });
  on('hello', () => want_now(...Object.keys(sources)));
  on('heartbeat', () => {});
  on('missed', () => want(...Object.keys(sources)));
  const on_shown = (event, act) => on(event, ({ data }) => {
    if (state.meter === null) return want_building();
    if (JSON.parse(data).meter === state.meter) act();
  });
  on_shown('reading', () => want('today', 'days', 'register', ...(state.day ? [] : ['flow'])));
  on_shown('interval', () => {
    want('days', 'nights');
    want_building();
    if (state.day || Date.now() - draws_read_at < draws_rest_ms) return;
    draws_read_at = Date.now();
    want('draws');
  });
  on_shown('day', () => want('days', 'today', 'nights', 'months', 'years'));
  on('alarm', () => { want('alarms', 'nights'); want_building(); });
  on('health', () => { want('health'); want_building(); });
  stream.onerror = () => lose(new NotThere('the stream ended'));
}

/** A hanging daemon or a lost network does not end the stream. It only sends nothing. */
function look_for_life() {
  if (stream && Date.now() - heard_at > silence_ms) lose(new NotThere('the stream is silent'));
  if (document.body.dataset.state === 'old') tell_age();
}

function tell_age() {
  const said = state.told_at ? `Not live. Read at ${clock_to_the_second(state.told_at)}, ${ago(state.told_at, new Date())}` : 'Not live';
  if (find('#live').textContent !== said) find('#live').textContent = said;
}

/** The daemon cannot be reached: say so, mark the page as old, and try again. */
function lose(error) {
  if (!(error instanceof NotThere) && !(error instanceof Refused)) console.error(error);
  stream?.close();
  stream = null;
  document.body.dataset.state = 'old';
  const since = state.told_at ? ` What you see is from ${clock_to_the_second(state.told_at)} and may be wrong by now.` : '';
  const why = error instanceof Refused ? `The daemon refuses: ${error.message}`
    : navigator.onLine ? 'The daemon does not answer.' : 'This device has no network, so the daemon cannot be heard.';
  const said = `${why}${since} Trying again every few seconds.`;
  if (find('#trouble').textContent !== said) replace(find('#trouble'), h('p', { class: 'notice bad' }, said));
  tell_age();
  trying ??= setTimeout(listen, try_again_ms);
}

function found() {
  state.told_at = new Date();
  document.body.dataset.state = 'live';
  const items = troubles_of(state);
  const said = items.length ? [notice(items)] : [];
  if (find('#trouble').textContent !== said.map((one) => one.textContent).join('')) replace(find('#trouble'), said);
  find('#live').textContent = `Live. Read at ${clock_to_the_second(state.told_at)}`;
}

function start() {
  const unit = find('#unit');
  unit.value = localStorage.getItem('unit') ?? 'l';
  const choose_unit = () => {
    set_unit(unit.value);
    localStorage.setItem('unit', unit.value);
    if (state.data.health && state.data.building) show(Object.keys(sources));
  };
  choose_unit();
  unit.addEventListener('change', choose_unit);
  find('#meter').addEventListener('change', (event) => acts.choose_meter(event.target.value || null));
  addEventListener('popstate', () => {
    const asked = new URLSearchParams(location.hash.slice(1)).get('meter');
    if (asked !== state.meter) show_meter(asked);
  });
  // On the daemon's own machine it can be reached without a network, so check at once.
  addEventListener('offline', () => want_now('health'));
  addEventListener('online', listen);
  prepare_reading(state, acts);
  // A hidden page need not take one of the stream's places.
  document.addEventListener('visibilitychange', () => {
    if (!document.hidden) return listen();
    stream?.close();
    stream = null;
  });
  setInterval(look_for_life, 1000);
  setInterval(() => {
    if (!stream || document.body.dataset.state !== 'live') return;
    want('today');
    want_building();
  }, look_again_ms);
  // Choose the meter before its events arrive.
  reads = reads.then(read_health).then(read_building).then(choose_shown).catch(lose).then(() => stream ?? trying ?? listen());
}

start();
