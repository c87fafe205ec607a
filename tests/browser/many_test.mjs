// A building with three hundred meters: one call for all of them, and a search by name.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';

import { look_at, open_checked, views } from './checker.mjs';
import { House, until } from './house.mjs';

const flats = 298;
let house;
let browser;
let page;
const asked = [];

before(async () => {
  house = await House.open({ flats });
  ({ browser, page } = await open_checked());
  page.on('request', (request) => asked.push(new URL(request.url()).pathname));
  await page.goto(`${house.origin}/`);
  await until('every usual day is computed', async () => (await page.locator('#sums').innerText().catch(() => '')).includes('usual by now'));
});

after(async () => {
  await browser?.close();
  await house?.close();
});

test('the page makes no call for each meter', () => {
  assert.deepEqual(asked.filter((path) => path.startsWith('/v1/meters/')), []);
  const parts = new Set(asked.filter((path) => path.startsWith('/v1/')));
  assert.deepEqual([...parts].sort(), ['/v1/alarms', '/v1/building', '/v1/health', '/v1/stream']);
});

test('twelve times the usual volume is shown at the top, with a cut-off bar and in words', async () => {
  const row = page.locator('#rows tr[data-meter="flat-7"]');
  assert.equal(await page.locator('#rows table').first().locator('tr[data-meter="flat-7"]').count(), 1);
  assert.match(await row.innerText(), /1[0-2] × usual/);
  assert.equal(await row.locator('line.cut').count(), 2);
  assert.equal(await row.locator('line.usual').count(), 1);
});

test('a meter is found by a part of its name and opened', async () => {
  await page.locator('#filter').fill('flat-123');
  await until('only the meter is listed', async () => await page.locator('#rows tbody tr[data-meter]').count() === 1);
  await page.getByRole('button', { name: 'flat-123' }).click();
  await until('the meter is shown', async () => (await page.locator('#glance-title').innerText()).startsWith('flat-123'));
  await page.goBack();
  await page.locator('#filter').fill('');
  await until('all are shown', async () => await page.locator('#rows tbody tr[data-meter]').count() > 50);
});

for (const view of views) test(`the page is accessible: ${view.name}`, () => look_at(page, view));
