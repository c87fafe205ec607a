// All meters, for those who care for many: those with an alarm or a silent node first.

import { find, h, replace, table } from './dom.js';
import { cubic_metres, date_and_clock, flow } from './words.js';

const shown_most = 50;
let is_prepared = false;

function words_of(meter, alarms, silent) {
  if (alarms > 0) return h('span', { class: 'bad' }, alarms === 1 ? '1 alarm' : `${alarms} alarms`);
  return silent ? h('span', { class: 'bad' }, 'silent') : 'well';
}

export function show_meters(state, acts) {
  const { meters } = state.data.meters;
  find('#meters').hidden = meters.length < 2;
  if (!is_prepared) {
    is_prepared = true;
    find('#filter').addEventListener('input', () => show_meters(state, acts));
  }
  const alarms = new Map();
  for (const alarm of state.data.alarms.alarms) {
    if (alarm.cleared_at === null && alarm.state !== 'shelved') alarms.set(alarm.meter, (alarms.get(alarm.meter) ?? 0) + 1);
  }
  const silent = new Set(state.data.health.meters.filter((node) => node.silent_since).map((node) => node.id));
  const sought = find('#filter').value.trim().toLowerCase();
  const rank = (meter) => (alarms.has(meter.id) ? 0 : silent.has(meter.id) ? 1 : 2);
  const found = meters.filter((meter) => meter.id.includes(sought)).sort((a, b) => rank(a) - rank(b));
  find('#filter-label').hidden = meters.length < 8;
  replace(find('#meters .body'),
    table('All meters', ['Meter', 'State', { text: 'Flow', number: true }, { text: 'Register', number: true }, 'Last reading'],
      found.slice(0, shown_most).map((meter) => [
        h('button', { type: 'button', class: 'link', 'data-key': `meter-${meter.id}`, 'aria-pressed': meter.id === state.meter ? 'true' : 'false',
          on: { click: () => { acts.choose_meter(meter.id); find('#glance').focus(); } } }, meter.id),
        words_of(meter, alarms.get(meter.id) ?? 0, silent.has(meter.id)),
        meter.flow_l_per_h === null || silent.has(meter.id) ? 'not known' : meter.flow_l_per_h > 0 ? flow(meter.flow_l_per_h) : 'none',
        cubic_metres(meter.register_m3),
        meter.last_reading_at ? date_and_clock(meter.last_reading_at) : 'never']), { class: 'meters' }),
    found.length > shown_most ? h('p', { class: 'key' }, `${shown_most} of ${found.length} are shown. Find narrows them.`) : null);
}
