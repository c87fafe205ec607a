// The page with a token configured: nothing without it, and the whole page, live, with it as the password.
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
  ['a visitor without a password', {}],
  ['a visitor with a wrong password', { httpCredentials: { username: 'anybody', password: 'a-word-of-another-test' } }],
]) {
  test(`${who} sees nothing`, () => with_browser(options, async (page) => {
    const answer = await page.goto(`${house.origin}/`).catch((error) => error);
    // Chromium shows its own page after a refused password.
    if (answer instanceof Error) assert.match(answer.message, /ERR_INVALID_AUTH_CREDENTIALS/);
    else assert.equal(answer.status(), 401);
    assert.equal(await page.locator('#glance').count(), 0);
  }));
}

test('a visitor with the token as password sees the page and its live updates', () =>
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

test('the page opened with the token in its address showed nothing', () =>
  with_browser({}, async (page) => {
    await page.goto(`${house.origin.replace('//', `//anybody:${token}@`)}/`);
    await until('the page is live', () => page.evaluate(() => document.body.dataset.state === 'live'));
    await until('the meters are shown', async () => await page.locator('#rows tbody tr').count() === 2);
  }));

/** Every control that would change something. */
const doors = '#alarms button, #clock button, #readings button, #reading, #away, #draws select';
const shown_doors = async (page) => (await read_all(page, doors, (one) => one.checkVisibility() && one.outerHTML.slice(0, 80))).filter(Boolean);

test('tenants see their meter and its uses, and no control that would be refused', () =>
  with_browser({ httpCredentials: { username: 'anybody', password: tenant_token } }, async (page) => {
    const faults = watch_faults(page, house.origin);
    await page.goto(`${house.origin}/`);
    await until('the meter is shown', async () => await page.locator('#glance .answer').count() === 5);
    await until('its uses are shown', async () => await page.locator('#draws table.draws tr').count() > 1);
    await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
    assert.doesNotMatch(await page.locator('body').innerText(), /garden|false/);
    assert.deepEqual(await shown_doors(page), []);
    assert.deepEqual(faults, []);
  }));

test('the same page shows its controls to a visitor who may change things', () =>
  with_browser({ httpCredentials: { username: 'anybody', password: token } }, async (page) => {
    await page.goto(`${house.origin}/#meter=house`);
    await until('the uses are shown', async () => await page.locator('#draws table.draws tr').count() > 1);
    await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
    await until('the controls are shown', async () => (await shown_doors(page)).length > 5);
  }));
