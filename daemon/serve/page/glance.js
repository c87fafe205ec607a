// Answers five questions: today, yesterday, now, a leak, and how sure the answers are.

import { find, h, replace } from './dom.js';
import { ago, clock, clock_to_the_second, day_word, flow, instant, length, name_of, number, seconds_of, step as tick, volume } from './words.js';

const cadences_believed = 2;

const answer = (question, said, mood, ...more) => h('div', { class: `answer ${mood}` },
  h('dt', {}, question),
  h('dd', {}, h('strong', {}, said), ...more.filter(Boolean).map((line) => h('span', {}, line))));

function today_so_far({ today, usual }) {
  const beside = usual
    ? `usual by now: ${volume(usual.until_now_l)}; in a whole day: ${volume(usual.volume_l)}`
    : 'What is usual is not known yet: that takes three whole days.';
  return answer('How much today?', volume(today.volume_l), 'plain', beside);
}

function than_usual(litres, usual) {
  if (litres > usual.high_l) return usual.volume_l > 0 && litres >= 1.95 * usual.volume_l
    ? `${number(litres / usual.volume_l, 1)} times a usual day` : 'more than usual';
  return litres < usual.low_l ? 'less than usual' : 'as usual';
}

function yesterday({ yesterday: day, usual }) {
  if (day.volume_l === null) return answer('And yesterday?', 'no data', 'unknown', 'Nothing was heard of that day.');
  const is_part = seconds_of(day) - day.covered_s > 60;
  const beside = usual ? `${than_usual(day.volume_l, usual)}: half of the days have ${volume(usual.low_l)} to ${volume(usual.high_l)}` : null;
  return answer('And yesterday?', volume(day.volume_l), 'plain', beside,
    is_part ? `incomplete: ${length(seconds_of(day) - day.covered_s)} of it were not seen` : null);
}

/** The last reading holds for two cadences, because the next message may be late. After that the flow is not known. */
function is_late({ last_span: last, cadence_s }, now) {
  return (now - instant(last.to)) / 1000 > cadences_believed * cadence_s;
}

function running(today, silent_since, leaks, now) {
  const last = today.last_span;
  if (!last) return answer('Is anything running now?', 'Not known', 'unknown', 'This meter has not been heard yet.');
  if (silent_since) {
    return answer('Is anything running now?', 'Not known', 'unknown',
      `Its node has been silent since ${clock(silent_since)}, ${ago(silent_since, now)}.`);
  }
  if (is_late(today, now)) {
    return answer('Is anything running now?', 'Not known', 'unknown',
      `The last message covers the time up to ${clock(last.to)}, ${ago(last.to, now)}. A message is expected every ${length(today.cadence_s)}.`,
      last.ticks > 0 ? `Then it was ${flow(last.flow_l_per_h)}.` : 'Then nothing ran.');
  }
  const when = `${clock_to_the_second(last.from)} to ${clock_to_the_second(last.to)}, ${ago(last.to, now)}`;
  if (last.ticks > 0) {
    return answer('Is anything running now?', `Yes, ${flow(last.flow_l_per_h)}`, 'flow', `the mean from ${when}`);
  }
  const still = last.still_since ? `no tick since ${clock(last.still_since)}, seen up to ${clock(last.to)}, ${ago(last.to, now)}` : `no tick from ${when}`;
  // A leak ticks seldom; between two ticks no flow is seen.
  return leaks ? answer('Is anything running now?', 'Only the leak', 'flow', still)
    : answer('Is anything running now?', 'No', 'good', still);
}

const night_of = (night) => `the night before ${day_word(night.to)}`;

/** The first of the latest consecutive nights in which the water never stood still. */
function first_of_row(nights) {
  let first = null;
  for (const night of [...nights].reverse()) {
    if (night.verdict !== 'flow') break;
    first = night;
  }
  return first;
}

/** Between two ticks of such a leak no flow is seen. */
export const is_leak = ({ kind }) => ['night-flow', 'slow-leak'].includes(kind);
const leak_alarm = (alarms) => alarms.find((one) => one.cleared_at === null && is_leak(one));

function leak({ nights, still_for_s }, alarm, meter) {
  const over = nights.filter((night) => night.verdict !== 'open');
  const last = over.at(-1);
  if (alarm) {
    const first = alarm.kind === 'night-flow' ? first_of_row(over) : null;
    const { flow_l_per_h, estimated_l_per_day } = alarm.evidence;
    return answer('Is there a leak?', 'Probably, yes', 'bad',
      `since ${first ? night_of(first) : day_word(alarm.raised_at)}`,
      flow_l_per_h ? `about ${flow(flow_l_per_h)}, ${volume(estimated_l_per_day)} a day` : null);
  }
  const hidden = meter.smallest_visible_leak_l_per_h;
  const limit = hidden === null ? 'Its readings are too far apart to see a leak.' : `A leak below ${flow(hidden)} can hide.`;
  if (!last || last.verdict === 'undecided') {
    return answer('Is there a leak?', 'Not known', 'unknown', last ? 'Last night is undecided: data is missing.' : 'No night has been seen yet.', limit);
  }
  if (last.verdict === 'flow') {
    return answer('Is there a leak?', 'Perhaps', 'bad', `In ${night_of(last)} the water never stood still for ${length(still_for_s)}.`);
  }
  return answer('Is there a leak?', 'No sign of one', 'good',
    `In ${night_of(last)} the water stood still for ${length(seconds_of(last.longest_still))}.`, limit);
}

function sure({ today, last_span: last }, meter, now) {
  const until_now_s = (now - instant(today.from)) / 1000;
  const missing_s = Math.max(0, until_now_s - today.covered_s);
  // The last reading is always some minutes old; that is not a gap.
  const fresh_s = last ? Math.max(0, (now - Math.max(instant(last.to), instant(today.from))) / 1000) : 0;
  const gap_s = missing_s - fresh_s;
  const step = `Counted in steps of ${tick(meter.pulse_value_l)}.`;
  if (today.ticks === null) return answer('How sure is that?', 'Nothing was seen', 'unknown', 'There is no number for today.', step);
  if (gap_s <= 60 && today.unseen_ticks_max === 0) {
    return answer('How sure is that?', 'Nothing is missing', 'good',
      `Every minute of today was seen, up to ${clock(last.to)}.`, step);
  }
  return answer('How sure is that?', 'Something is missing', 'flow',
    gap_s > 60 ? `${length(gap_s)} of today were not seen: what ran then is in no number.` : null,
    today.unseen_ticks_max > 0 ? `Up to ${volume(today.unseen_l_max)} more may have run today, unseen by the node.` : null,
    today.spread_ticks ? 'Some of it is spread over time: messages were far apart.' : null, step);
}

export function show_glance(state) {
  const { today, alarms, nights, building } = state.data;
  const meter = building.meters.find((one) => one.id === state.meter);
  if (!meter) return;
  const now = instant(today.time);
  const alarm = leak_alarm(alarms.alarms.filter((one) => one.meter === state.meter));
  find('#glance-title').textContent = building.meters.length > 1 ? `${name_of(state.meter)} at a glance` : 'At a glance';
  replace(find('#glance .body'), h('dl', { class: 'answers' },
    today_so_far(today), yesterday(today),
    running(today, meter.silent_since, alarm, now),
    leak(nights, alarm, meter), sure(today, meter, now)),
  meter.away ? h('p', { class: 'notice' }, 'Everybody is away: any tick raises an alarm.') : null);
}
