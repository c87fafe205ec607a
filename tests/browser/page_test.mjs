// The page in a real browser with the real daemon: each panel is compared with the known recording.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';

import { open_browser, read_all, texts_of, watch_faults } from './chromium.mjs';
import { date_after } from './history.mjs';
import { House, until } from './house.mjs';

let house;
let browser;
let page;
let faults;

const text = (selector) => page.locator(selector).first().innerText();
const becomes = (what, condition) => until(what, condition);
const answers = async () => (await texts_of(page, '#glance .answer')).map((one) => one.replaceAll('\n', ' | '));
const live = () => becomes('the page is live', () => page.evaluate(() => document.body.dataset.state === 'live'));
const choose = async (meter) => {
  await page.locator('#meter').selectOption(meter);
  await becomes(`${meter} is shown`, async () => (await text('#glance-title')).startsWith(meter) && await page.locator('#glance .answer').first().isVisible());
};
/** Uses the keyboard: an update may move a button away between the press of the mouse and its release. */
const enter = async (typed) => {
  await page.locator('#shown').fill(typed);
  await page.locator('#shown').press('Enter');
};
const litres = (amount) => `${amount.toFixed(amount < 100 ? 1 : 0)} L`;
const median = (numbers) => {
  const sorted = [...numbers].sort((a, b) => a - b);
  return (sorted[Math.floor((sorted.length - 1) / 2)] + sorted[Math.floor(sorted.length / 2)]) / 2;
};

before(async () => {
  house = await House.open();
  browser = await open_browser();
  page = browser.context.pages()[0];
  faults = watch_faults(page, house.origin);
  await page.goto(`${house.origin}/`);
  await live();
});

after(async () => {
  await browser?.close();
  await house?.close();
});

test('with several meters the building is shown first, worst meter first, with a sum, and a click opens the meter', async () => {
  const { per_date, today } = house.truth;
  const rows = page.locator('#rows tbody tr');
  await becomes('the building is shown', async () => await rows.count() === 2);
  assert.equal(await page.locator('#glance').isVisible(), false);
  assert.match(await rows.first().innerText(), /^house\s/);
  assert.match(await rows.first().locator('.state').innerText(), /Water ran all night/);
  assert.equal(await rows.first().locator('td').nth(1).innerText(), litres(per_date.get(today) ?? 0));
  const sums = await texts_of(page, '#sums .answer');
  assert.ok(sums[0].includes(litres(per_date.get(today) ?? 0)), sums[0]);
  assert.ok(sums[1].includes('At 1 of 2') && sums[1].includes('house'), sums[1]);

  await rows.first().getByRole('button', { name: 'house' }).click();
  await becomes('the meter is shown', async () => (await text('#glance-title')).startsWith('house'));
  assert.equal(await page.locator('#building').isVisible(), false);
  await page.goBack();
  await becomes('the building is shown again', () => page.locator('#building').isVisible());
  await choose('house');
});

test('the building says of a leak between two ticks that only the leak runs', async () => {
  await house.tell(0);
  await page.locator('#meter').selectOption('');
  const row = page.locator('#rows tbody tr', { has: page.getByRole('button', { name: 'house' }) });
  await becomes('the row says so', async () => await row.locator('.now').innerText() === 'only the leak');
  const sums = await texts_of(page, '#sums .answer');
  assert.match(sums[3], /Only the leak\s+house/);
  await choose('house');
});

test('today and yesterday match the recording and are compared with a usual day', async () => {
  const { per_date, today, first } = house.truth;
  const whole_days = Array.from({ length: 10 }, (_, i) => per_date.get(date_after(first, i)) ?? 0);
  // The answers have separate lines only once the style is loaded.
  await becomes('today is shown', async () => { const all = await answers(); return all.length === 5 && all[0].includes(' | '); });
  const [of_today, of_yesterday] = await answers();
  assert.ok(of_today.startsWith(`How much today? | ${litres(per_date.get(today) ?? 0)} | `), of_today);
  assert.ok(of_today.endsWith(`in a whole day: ${litres(median(whole_days))}`), of_today);
  assert.ok(of_yesterday.startsWith(`And yesterday? | ${litres(whole_days.at(-1))} | `), of_yesterday);
  assert.match(of_yesterday, /times a usual day|more than usual/);
});

test('a leak is reported with the night since which the water never stood still', async () => {
  const leak = (await answers())[3];
  const night = new Intl.DateTimeFormat('en-GB', { weekday: 'short', day: 'numeric', month: 'short', timeZone: 'UTC' })
    .format(new Date(`${date_after(house.truth.leak_date, 1)}T12:00:00Z`));
  assert.ok(leak.includes('Probably, yes'), leak);
  assert.ok(leak.includes(`since the night before ${night}`), leak);
  assert.ok(leak.includes('about 10.0 L an hour, 240 L a day'), leak);
});

test('the page shows missing data: none for the house, three hours for the garden', async () => {
  assert.match((await answers())[4], /Nothing is missing \| Every minute of today was seen.*Counted in steps of 1 L\./);
  await choose('garden');
  const row = page.locator('#days tbody tr', { has: page.locator(`[data-date="${house.truth.hole_date}"]`) });
  await becomes('the garden’s days are shown', async () => await row.count() === 1 && (await row.innerText()).includes('not seen'));
  assert.match(await row.innerText(), /0\.0 L\s+incomplete: 3 h not seen/);
  await becomes('the garden has no leak', async () => (await answers())[3].includes('No sign of one'));
  await choose('house');
});

test('each of the last days has its volume, and days before the recording are not zero', async () => {
  const { per_date, first, today } = house.truth;
  await becomes('the days are shown', async () => await page.locator('#days tbody tr').count() === 14);
  for (let i = 0; i <= 10; ++i) {
    const date = date_after(first, i);
    const cells = await texts_of(page, `#days tbody tr:has([data-date="${date}"]) td`);
    assert.equal(cells[1], litres(per_date.get(date) ?? 0), date);
    assert.equal(cells[2], date === today ? 'so far' : '', date);
  }
  const before_it = `#days tbody tr:has([data-date="${date_after(first, -1)}"])`;
  assert.deepEqual((await texts_of(page, `${before_it} td`)).slice(1), ['no data', 'no data']);
  assert.equal(await page.locator(`${before_it} rect.none`).count(), 1);
});

test('a year is shown with its volume and its cost', async () => {
  await becomes('the years are shown', async () => await page.locator('#years tbody tr').count() >= 2);
  const year = house.truth.today.slice(0, 4);
  const of_year = [...house.truth.per_date].filter(([date]) => date.startsWith(year)).reduce((sum, [, ticks]) => sum + ticks, 0);
  const rows = await read_all(page, '#years tbody tr', (row) => [row.querySelector('th').innerText, ...[...row.querySelectorAll('td')].map((cell) => cell.innerText)]);
  const cells = rows.find(([head]) => head.includes(year)).slice(1);
  assert.ok(cells.includes(litres(of_year).replace(/(\d)(\d{3}) /, '$1,$2 ')), JSON.stringify(cells));
  // Two euros a cubic metre.
  assert.ok(cells.some((cell) => cell === `€${(of_year / 500).toFixed(2)}`), JSON.stringify(cells));
});

test('the running year says how much of it was not seen', async () => {
  const { today, first } = house.truth;
  const year = today.slice(0, 4);
  const rows = await read_all(page, '#years tbody tr', (row) => [row.cells[0].innerText, row.cells[row.cells.length - 1].innerText]);
  const days = Math.round((Date.parse(first) - Date.parse(`${year}-01-01`)) / 86_400_000);
  const expected = days < 1 ? /^so far$/ : days < 2 ? /^so far; 24 h.* not seen$/ : new RegExp(`^so far; ${days} days not seen$`);
  assert.match(rows.find(([head]) => head === year)[1], expected);
});

test('a day is chosen with the keyboard, and its hours and draws match the recording', async () => {
  // Before the leak.
  const date = date_after(house.truth.leak_date, -1);
  await page.locator(`[data-date="${date}"]`).focus();
  await page.keyboard.press('Enter');
  const title = new Intl.DateTimeFormat('en-GB', { dateStyle: 'full', timeZone: 'UTC' }).format(new Date(`${date}T12:00:00Z`));
  await becomes('the day is shown', async () => (await text('#day-title')).replaceAll(',', '') === title.replaceAll(',', ''));
  assert.equal(await page.locator(`[data-date="${date}"]`).getAttribute('aria-pressed'), 'true');
  assert.equal(await page.evaluate(() => document.activeElement.dataset.date), date);
  const hours = await read_all(page, '#flow details tbody tr', (row) => [row.cells[0].textContent, row.cells[1].textContent]);
  assert.equal(hours.length, 24);
  for (const [hour, volume] of hours)
    assert.equal(volume, litres(house.truth.per_hour.get(`${date} ${hour.slice(0, 2)}`) ?? 0), `${hour} of ${date}`);
  const longest = await page.locator('#draws .longest tbody tr').first().innerText();
  assert.match(longest, /^07:00 to 07:0\d/);
  assert.match(longest, /6 min.*48\.0 L.*L a minute.*(sure|not known)/s);
  const draws = await read_all(page, '#draws details tbody tr', (row) => row.cells[2].textContent);
  assert.deepEqual(draws, [litres(48), litres(house.truth.per_hour.get(`${date} 19`))]);
  const chart = await page.locator('svg.day').getAttribute('aria-label');
  assert.ok(chart.startsWith(`Flow of the day: ${litres(house.truth.per_date.get(date))} in all, most at 07:0`), chart);
  await page.getByRole('button', { name: 'Today', exact: true }).click();
  await becomes('today is shown again', async () => await page.getByRole('button', { name: 'Today', exact: true }).count() === 0);
});

test('a leak that began before the day is shown on that day', async () => {
  const date = date_after(house.truth.leak_date, 1);
  await page.locator(`[data-date="${date}"]`).focus();
  await page.keyboard.press('Enter');
  await becomes('the leak is named', async () => /^Begun before this day: leak, from .* at 10\.0 L an hour\.$/.test((await texts_of(page, '#draws .begun-before')).join()));
  const lane = page.locator('#flow .lanes tbody tr', { hasText: 'leak' });
  assert.equal(await lane.locator('rect').first().getAttribute('x'), '0.000%');
  await page.getByRole('button', { name: 'Today', exact: true }).click();
  await becomes('today is shown again', async () => await page.getByRole('button', { name: 'Today', exact: true }).count() === 0);
});

test('nights are bands: a leak fills them, a still night has one band, and quiet nights are folded', async () => {
  const rows = page.locator('#nights tbody tr');
  await becomes('the nights are shown', async () => await rows.count() >= 10);
  const told = await read_all(page, '#nights tbody tr', (row) => ({
    words: row.cells[2].textContent, still: row.querySelectorAll('rect.still').length, flow: row.querySelectorAll('rect.flow').length }));
  const leaks = told.filter((night) => night.words.startsWith('never stood still for 30 min'));
  assert.ok(leaks.length >= 1, JSON.stringify(told));
  for (const night of leaks) assert.ok(night.flow > 30, JSON.stringify(night));
  const quiet = told.filter((night) => night.words === 'stood still for 4 h');
  assert.ok(quiet.length >= 7, JSON.stringify(told));
  assert.equal(await page.locator('#nights details[data-key="nights"]').evaluate((one) => one.open), false);
  assert.ok(await page.locator('#nights .body > table tbody tr').count() <= 3);
  for (const night of quiet) assert.deepEqual([night.still, night.flow], [1, 0]);
});

test('an alarm acknowledged or put off on the page is acknowledged or shelved in the ledger', async () => {
  const alarm = page.locator('#alarms article', { hasText: 'Water ran all night' });
  const id = await alarm.getAttribute('data-alarm');
  const in_ledger = async () => (await house.get('/v1/alarms')).alarms.find((one) => String(one.id) === id);
  assert.equal((await in_ledger()).state, 'unacknowledged');
  await alarm.getByRole('button', { name: /I have seen it/ }).click();
  await becomes('the page shows the acknowledgement', async () => (await alarm.innerText()).includes('acknowledged ') && !(await alarm.innerText()).includes('not acknowledged'));
  assert.equal((await in_ledger()).state, 'acknowledged');
  assert.equal(await text('#alarms .said'), 'Acknowledged: Water ran all night, house.');

  await alarm.getByRole('button', { name: /Not seen after all/ }).click();
  await becomes('the page shows that it was taken back', async () => (await alarm.innerText()).includes('not acknowledged yet'));
  assert.equal((await in_ledger()).state, 'unacknowledged');
  assert.equal(await text('#alarms .said'), 'No longer acknowledged: Water ran all night, house.');

  await alarm.locator('select').selectOption('P2D');
  await alarm.getByRole('button', { name: /Put off for/ }).click();
  await becomes('the page shows that it is put off', async () => (await alarm.innerText()).includes('put off until'));
  const shelved = await in_ledger();
  assert.equal(shelved.state, 'shelved');
  assert.ok(Math.abs(Date.parse(shelved.shelved_until) - Date.now() - 2 * 86_400_000) < 120_000);
  await alarm.getByRole('button', { name: /Show it again/ }).click();
  await becomes('the page shows it again', async () => !(await alarm.innerText()).includes('put off until'));
  assert.notEqual((await in_ledger()).state, 'shelved');
});

test('a new message updates flow, day and register by itself', async () => {
  const { per_date, today } = house.truth;
  await house.tell(2);
  per_date.set(today, (per_date.get(today) ?? 0) + 2);
  await becomes('the page shows two litres more', async () => (await answers())[0].includes(`| ${litres(per_date.get(today))} |`));
  assert.match((await answers())[2], /Yes, [\d.,]+ L (a minute|an hour)/);
  await becomes('the register follows', async () => (await text('#register .face')) === `${(house.truth.count / 1000).toFixed(3)} m³`);
  await becomes('the bar follows', async () =>
    (await page.locator('#days tbody tr').first().locator('td').nth(1).innerText()) === litres(per_date.get(today)));
});

test('a reading becomes an adjustment and can be taken back, and an invalid or impossible one is refused in words', async () => {
  const register = async () => house.get('/v1/meters/house/register');
  await page.locator('#shown').fill('about seven');
  await becomes('it is refused', async () => {
    await page.getByRole('button', { name: 'Enter the reading' }).click();
    return (await text('#reading-said')).includes('is not a number');
  });
  assert.equal(await page.locator('#shown').getAttribute('aria-invalid'), 'true');

  await enter('99999');
  await becomes('the page asks about it', async () => (await text('#reading-said')).includes('Nobody has said yet'));
  await page.getByRole('button', { name: /anyway/ }).click();
  await becomes('the daemon’s reason is shown', async () => !/is not a number|Nobody has said/.test(await text('#reading-said')) && (await text('#reading-said')).length > 20);
  assert.equal((await register()).readings.length, 0);

  // Twelve litres more than were counted.
  const shown = ((house.truth.count + 12) / 1000).toFixed(3);
  await enter(shown);
  await page.getByRole('button', { name: /anyway/ }).click();
  await becomes('the reading is booked', async () => (await register()).readings.length === 1);
  assert.equal((await register()).readings[0].adjustment.ticks, 12);
  await becomes('the register shows it', async () => (await text('#register .face')) === `${shown} m³`);
  assert.match(await text('#reading-said'), /12/);

  await page.locator('#readings summary').click();
  await page.getByRole('button', { name: /Take the reading of .* back/ }).click();
  await becomes('it is taken back', async () => (await register()).readings.length === 0);
  await becomes('the register shows it', async () => (await text('#register .face')) === `${(house.truth.count / 1000).toFixed(3)} m³`);
});

test('a reading that would take litres away needs a confirmation before it is booked', async () => {
  const register = async () => house.get('/v1/meters/house/register');
  await house.post('/v1/meters/house/register', { time: new Date(Date.now() - 10_800_000).toISOString(), reading_m3: '10.000', start: true });
  const should_l = Math.round((await register()).register_m3 * 1000);

  // The reading has only tenths of a cubic metre, so there may be no difference.
  await enter((Math.floor(should_l / 100 - 0.1) / 10).toFixed(1));
  await becomes('the page asks about it', async () => (await text('#reading-said')).includes('may be no real difference'));
  assert.equal((await register()).readings.length, 1);
  await page.getByRole('button', { name: 'Correct it' }).click();
  assert.equal(await page.locator('#shown').evaluate((one) => document.activeElement === one), true);

  await enter(((should_l - 5) / 1000).toFixed(3));
  await becomes('the page asks about it', async () => /5\.0 L less.*cannot show less/s.test(await text('#reading-said')));
  assert.equal((await register()).readings.length, 1);
  await page.getByRole('button', { name: /anyway/ }).click();
  await becomes('it is booked after the confirmation', async () => (await register()).readings.length === 2);
  assert.equal((await register()).readings[0].adjustment.ticks, -5);
  for (const { time } of (await register()).readings) await house.take_back(time);
  assert.equal((await register()).readings.length, 0);
});

test('“1,234” is ambiguous and is refused, and numbers in the page’s own format are read', async () => {
  await enter('1,234');
  await becomes('it is refused', async () => (await text('#reading-said')).includes('may mean two things: 1234, or 1.234'));
  assert.equal((await house.get('/v1/meters/house/register')).readings.length, 0);
  const read = await page.evaluate(async () => {
    const { read_number } = await import('/page/numbers.js');
    const { cubic_metres } = await import('/page/words.js');
    return [cubic_metres(1234.567).replace(' m³', ''), '1.234.567,8', "1'234'567", '12 345,6', '0,123', '2.949', '1,2,3', '1,23,4.5', '12a']
      .map((text) => read_number(text).digits ?? 'refused');
  });
  assert.deepEqual(read, ['1234.567', '1234567.8', '1234567', '12345.6', '0.123', '2.949', 'refused', 'refused', 'refused']);
  await page.locator('#shown').fill('');
});

test('a late answer about a reading wiped out what was typed in the meantime', async () => {
  let release;
  const held = new Promise((resolve) => { release = resolve; });
  await page.route('**/v1/meters/house/register', async (route) => {
    if (route.request().method() === 'POST') await held;
    await route.continue();
  });
  const answered = page.waitForResponse((one) => one.url().endsWith('/register') && one.request().method() === 'POST');
  await page.locator('#starts').check();
  await enter('10.000');
  await enter('1,234');
  const is_refused = async () => (await text('#reading-said')).includes('may mean two things');
  await becomes('the second is refused', is_refused);
  release();
  await answered;
  await becomes('the first is booked', async () => (await house.get('/v1/meters/house/register')).readings.length === 1);
  await page.evaluate(() => new Promise((resolve) => { setTimeout(resolve, 0); }));
  assert.ok(await is_refused());
  assert.equal(await page.locator('#shown').inputValue(), '1,234');
  await page.unrouteAll({ behavior: 'wait' });
  for (const { time } of (await house.get('/v1/meters/house/register')).readings) await house.take_back(time);
  await page.locator('#shown').fill('');
  await page.locator('#starts').uncheck();
});

test('gallons are shown when chosen, and still after a reload', async () => {
  const gallons = (house.truth.per_date.get(house.truth.today) ?? 0) / 3.785411784;
  await page.locator('#unit').selectOption('gal_us');
  const expected = `${gallons.toFixed(gallons < 100 ? 1 : 0)} US gal`;
  await becomes('gallons are shown', async () => (await answers())[0].includes(expected));
  await page.reload();
  await live();
  await becomes('gallons are shown again, of the same meter', async () => (await answers())[0]?.includes(expected));
  await page.locator('#unit').selectOption('l');
});

test('people can say on the page that everybody leaves and that somebody is back', async () => {
  const away = async () => (await house.get('/v1/meters')).meters.find((one) => one.id === 'house').away;
  await page.getByRole('button', { name: 'Everybody leaves now' }).click();
  await becomes('the daemon knows it', away);
  await page.getByRole('button', { name: 'Somebody is back' }).click();
  await becomes('it is over', async () => !await away());
});

test('the page shows no time, date, duration or option in machine format', async () => {
  await becomes('every panel is shown', async () => await page.locator('#years tbody tr').count() > 0 && await page.locator('#draws table').count() > 0);
  await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
  const words = await page.locator('main').innerText();
  assert.doesNotMatch(words, /\d{4}-\d\d-\d\d|\b\d+(min|h|d)\b|`|[a-z]_[a-z]|\[\[/);
  const said = await page.evaluate(async () => (await import('/page/words.js')).sentence(
    'The meter ran for 2h30min from 2026-03-01T08:00:00+02:00 on, since 2026-02-28. The time is not known. `tickledger calibrate` shows more.'));
  assert.match(said, /^The meter ran for 2 h 30 min from 1 Mar, [\d:]+ on, since 28 Feb 2026\. The time is not known\.$/);
});

test('the middle of an axis up to fifteen is labelled 7.5', async () => {
  const halves = await page.evaluate(async () => {
    const { axis_number } = await import('/page/words.js');
    const { round_up } = await import('/page/chart.js');
    return [12.3, 0.13, 1.4].map(round_up).flatMap((most) => [axis_number(most), axis_number(most / 2)]);
  });
  assert.deepEqual(halves, ['15', '7.5', '0.15', '0.075', '1.5', '0.75']);
});

test('so far there was no error and no request to another server', () => {
  // The browser reports the one reading that was refused.
  assert.deepEqual(faults.filter((fault) => !fault.includes('status of 409')), []);
});

test('the page reports a lost broker and its return, although the stream sends neither', async () => {
  await house.broker.stop();
  await becomes('the page reports it', async () => /Something needs a look/.test(await page.locator('#trouble').innerText()));
  assert.match(await text('#health .body'), /The broker is not connected/);
  await house.start_broker();
  let trouble;
  await becomes('it is over', async () => (trouble = await page.locator('#trouble').innerText()) === '')
    .catch((vain) => assert.fail(`${vain.message}: ${trouble}`));
});

test('a stopped daemon is reported and its numbers are marked as old, and the page is live again after its return', async () => {
  const shown = (await answers())[1];
  faults.length = 0;
  await house.daemon.stop('SIGKILL');
  await becomes('the page reports it', async () => /does not answer/.test(await page.locator('#trouble').innerText()));
  assert.match(await page.locator('#trouble').innerText(), /What you see is from .* and may be wrong by now/);
  assert.equal(await page.evaluate(() => document.body.dataset.state), 'old');
  assert.match(await text('#live'), /^Not live\. Read at/);
  // The old numbers stay and are marked as old.
  assert.equal((await answers())[1], shown);
  assert.match(await page.locator('#glance .answer strong').first().evaluate((one) => getComputedStyle(one, '::after').content), /old/);
  await page.locator('#alarms').getByRole('button', { name: /I have seen it|Put off for/ }).first().click();
  await becomes('the page says that the request may be lost', async () => (await text('#alarms .said')).includes('It may or may not have received your request'));

  await house.start_daemon();
  await live();
  await becomes('the trouble is over', async () => (await page.locator('#trouble').innerText()) === '');
  // The browser reports each connection that was refused in the meantime.
  assert.deepEqual(faults.filter((fault) => !/ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED_ENCODING|ERR_CONNECTION_RESET|ERR_EMPTY_RESPONSE/.test(fault)), []);
});
