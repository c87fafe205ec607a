// The page where a token is asked for: nothing without it, and all of it, live, for who gives it as a password.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';

import { open_browser, read_all, watch_faults } from './chromium.mjs';
import { House, until } from './house.mjs';

const token = 'a-word-of-this-test-only';
const tenant_token = 'a-word-of-the-tenant-only';
let house;

before(async () => { house = await House.open({ token, tenant_token }); });
after(async () => { await house?.close(); });

async function with_browser(options, look) {
  const browser = await open_browser(options);
  try {
    await look(browser.context.pages()[0]);
  } finally {
    await browser.close();
  }
}

for (const [who, options] of [
  ['who gives no password', {}],
  ['who guesses', { httpCredentials: { username: 'anybody', password: 'a-word-of-another-test' } }],
]) {
  test(`${who} sees nothing`, () => with_browser(options, async (page) => {
    const answer = await page.goto(`${house.origin}/`).catch((error) => error);
    // Chromium shows a page of its own where a password was refused.
    if (answer instanceof Error) assert.match(answer.message, /ERR_INVALID_AUTH_CREDENTIALS/);
    else assert.equal(answer.status(), 401);
    assert.equal(await page.locator('#glance').count(), 0);
  }));
}

test('who gives the token as a password sees the page, and what happens as it happens', () =>
  with_browser({ httpCredentials: { username: 'anybody', password: token } }, async (page) => {
    const faults = watch_faults(page, house.origin);
    await page.goto(`${house.origin}/`);
    await until('the page is live', () => page.evaluate(() => document.body.dataset.state === 'live'));
    await page.locator('#meter').selectOption('house');
    const today = () => page.locator('#glance .answer').first().innerText();
    await until('today is shown', async () => (await today().catch(() => '')).startsWith('How much today?'));
    const before_it = await today();
    await house.tell(2);
    await until('the page shows it', async () => await today() !== before_it);
    assert.deepEqual(faults, []);
  }));

/** Everything that would change something. */
const doors = '#alarms button, #clock button, #readings button, #reading, #away, #draws select';
const shown_doors = async (page) => (await read_all(page, doors, (one) => one.checkVisibility() && one.outerHTML.slice(0, 80))).filter(Boolean);

test('a tenant sees his meter and its uses, and nothing that he would be refused', () =>
  with_browser({ httpCredentials: { username: 'anybody', password: tenant_token } }, async (page) => {
    const faults = watch_faults(page, house.origin);
    await page.goto(`${house.origin}/`);
    await until('his meter is shown', async () => await page.locator('#glance .answer').count() === 5);
    await until('its uses are shown', async () => await page.locator('#draws table.draws tr').count() > 1);
    await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
    assert.doesNotMatch(await page.locator('body').innerText(), /garden|false/);
    assert.deepEqual(await shown_doors(page), []);
    assert.deepEqual(faults, []);
  }));

test('the same page shows the doors to who may change things', () =>
  with_browser({ httpCredentials: { username: 'anybody', password: token } }, async (page) => {
    await page.goto(`${house.origin}/#meter=house`);
    await until('the uses are shown', async () => await page.locator('#draws table.draws tr').count() > 1);
    await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
    await until('they are shown', async () => (await shown_doors(page)).length > 5);
  }));
