// Accessibility of the page: the building and a meter, with the daemon running and stopped.
import { after, before, test } from 'node:test';

import { look_at, open_checked, views } from './checker.mjs';
import { House, until } from './house.mjs';

let house;
let browser;
let page;

before(async () => {
  house = await House.open();
  ({ browser, page } = await open_checked());
  await page.goto(`${house.origin}/`);
  await until('the building is shown', () => page.evaluate(() => document.querySelector('#rows table') && document.querySelector('#alarms article')));
});

after(async () => {
  await browser?.close();
  await house?.close();
});

for (const view of views) test(`the building is accessible: ${view.name}`, () => look_at(page, view));

test('a meter is accessible in every view', async () => {
  await page.locator('#meter').selectOption('house');
  await until('every panel is shown', () => page.evaluate(() => ['#draws table', '#nights table', '#years table', '#alarms article', 'svg.day']
    .every((part) => document.querySelector(part))));
  await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
  for (const view of views) await look_at(page, view);
});

test('the page is accessible in every view while the daemon is stopped', async () => {
  await house.daemon.stop();
  await until('the page is marked as old', () => page.evaluate(() => document.body.dataset.state === 'old'));
  for (const view of views) await look_at(page, view);
});
