// What the page says about faults: a daemon that hangs, a lost network, unreadable messages.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';

import { open_browser, read_all, texts_of } from './chromium.mjs';
import { House, until } from './house.mjs';

let house;
let browser;
let page;

const state = () => page.evaluate(() => document.body.dataset.state);
const text = (selector) => page.locator(selector).first().innerText();

before(async () => {
  // The last message is thirteen minutes old, although one is expected every three.
  house = await House.open({ ended_ago_s: 780 });
  browser = await open_browser();
  page = browser.context.pages()[0];
  await page.goto(`${house.origin}/#meter=house`);
  await until('the page is live', async () => await state() === 'live' && await page.locator('#glance .answer').count() === 5);
});

after(async () => {
  await browser?.close();
  await house?.close();
});

test('the current flow is not known if the last message is thirteen minutes old at a cadence of three', async () => {
  const now = (await texts_of(page, '#glance .answer'))[2];
  assert.match(now, /Is anything running now\?\s+Not known/);
  assert.match(now, /1\d min ago\. A message is expected every 3 min/);
  const line = (await house.get('/v1/building')).meters.find((one) => one.id === 'house');
  assert.equal(line.flow_l_per_h, null);
});

test('while the daemon hangs the page is not live and marks its numbers as old, and then it recovers', async () => {
  house.daemon.child.kill('SIGSTOP');
  await until('the page is marked as old', async () => await state() === 'old');
  assert.match(await text('#trouble'), /The daemon does not answer.*may be wrong by now/);
  assert.match(await text('#live'), /^Not live\. Read at [\d:]+, .+ ago$/);
  assert.match((await read_all(page, '#glance .answer strong', (one) => getComputedStyle(one, '::after').content))[0], /old/);
  house.daemon.child.kill('SIGCONT');
  await until('the page is live again', async () => await state() === 'live');
  assert.equal(await text('#trouble'), '');
});

test('a lost network is reported at once', async () => {
  await browser.context.setOffline(true);
  await until('the page is marked as old', async () => await state() === 'old');
  assert.match(await text('#trouble'), /no network/);
  await browser.context.setOffline(false);
  await until('the page is live again', async () => await state() === 'live');
});

test('unreadable messages are shown at the top with topic and remedy, and health is not well', async () => {
  assert.match(await text('#health .body'), /All is well/);
  await house.publish(JSON.stringify({ total: 12 }));
  await until('the page reports the message', async () => (await text('#trouble')).includes('nodes/house'));
  const said = await text('#trouble');
  assert.match(said, /1 message could not be read/);
  assert.match(said, /\/count/);
  assert.match(said, /Compare what the node sends/);
  assert.doesNotMatch(await text('#health .body'), /All is well/);
});

test('an impossible count is shown there, too', async () => {
  await house.tell(1_000_000);
  house.truth.count -= 1_000_000;
  await house.tell(1);
  await house.tell(1);
  await until('the page reports the count', async () => /1 message had an impossible count/.test(await text('#trouble')));
});

// A test cannot set the machine's clock, so the browser is told that the daemon doubts it. The daemon answers everything
// else.
test('a doubted clock is shown first, and confirmed with a second tap', async () => {
  let doubted = true;
  let late = null;
  let waiting = 0;
  await page.route('**/v1/health', async (route) => {
    const answer = await route.fetch();
    const json = { ...await answer.json(), clock_doubted: doubted };
    ++waiting;
    await late;
    --waiting;
    await route.fulfill({ response: answer, json });
  });
  // The doubt ends with the page's request. If it ended earlier, a refresh would remove the button before the tap.
  const said_right = page.waitForRequest((request) => {
    const is_said = request.url().endsWith('/v1/clock') && request.method() === 'POST';
    doubted = doubted && !is_said;
    return is_said;
  });
  await page.reload();
  await page.getByRole('button', { name: 'Look at the server’s clock' }).click();
  const question = new RegExp(`The server’s clock says .*${new Date().getFullYear()}\\. Is that right now\\?`);
  await until('the clock is shown', async () => question.test(await text('#clock')));
  // An earlier answer that arrived after the confirmation removed its text.
  let release;
  late = new Promise((resolve) => { release = resolve; });
  await until('the page has sent a request', () => waiting > 0);
  await page.getByRole('button', { name: 'Yes, it is right' }).click();
  assert.deepEqual((await said_right).postDataJSON(), { right: true });
  await until('the daemon has accepted it', async () => (await text('#clock')).includes('is believed'));
  const asked_again = page.waitForResponse((response) => response.url().endsWith('/v1/health') && !doubted && waiting === 0);
  release();
  await asked_again;
  await until('the page is live', async () => await state() === 'live');
  assert.match(await text('#clock'), /is believed/);
  await until('the question is gone', async () => await page.locator('#clock button').count() === 0);
  await page.unrouteAll({ behavior: 'wait' });
});
