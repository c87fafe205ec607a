// Whether everybody can use the page: WCAG 2.2 A and AA as far as a tool can tell, light and dark, large and small.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';

import { axe_file, open_browser } from './chromium.mjs';
import { House, until } from './house.mjs';

const rules = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'];
const views = [
  { name: 'light, on a desk', colorScheme: 'light', viewport: { width: 1200, height: 900 } },
  { name: 'dark, on a desk', colorScheme: 'dark', viewport: { width: 1200, height: 900 } },
  { name: 'light, on a phone', colorScheme: 'light', viewport: { width: 390, height: 844 } },
  { name: 'dark, on a phone', colorScheme: 'dark', viewport: { width: 390, height: 844 } },
  // WCAG 2.2 success criterion 1.4.10: without scrolling sideways down to 320 pixels.
  { name: 'light, as narrow as it must work', colorScheme: 'light', viewport: { width: 320, height: 640 } },
];

let house;
let browser;
let page;

before(async () => {
  house = await House.open();
  // The checker is put into the page, which the page's own policy would not let happen.
  browser = await open_browser({ bypassCSP: true });
  page = browser.context.pages()[0];
  await page.goto(`${house.origin}/`);
  await until('all is shown', () => page.evaluate(() => ['#draws table', '#nights table', '#meters table', '#alarms article', 'svg.day']
    .every((part) => document.querySelector(part))));
  await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
  await page.addScriptTag({ path: axe_file });
});

after(async () => {
  await browser?.close();
  await house?.close();
});

const violations = () => page.evaluate((tags) => axe.run(document, { runOnly: tags }).then(({ violations: all }) =>
  all.map((one) => `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map((node) => `${node.target} (${node.failureSummary})`).join('; ')}`)), rules);

async function look_at({ colorScheme, viewport }) {
  await page.setViewportSize(viewport);
  await page.emulateMedia({ colorScheme });
  assert.deepEqual(await violations(), []);
  const [inner, whole] = await page.evaluate(() => [document.documentElement.clientWidth, document.documentElement.scrollWidth]);
  assert.ok(whole <= inner, `the page is ${whole} pixels wide on ${inner}`);
}

for (const view of views) test(`nothing keeps anybody out: ${view.name}`, () => look_at(view));

test('nor where the daemon is gone', async () => {
  await house.daemon.stop();
  await until('the page tells of it', () => page.evaluate(() => document.body.dataset.state === 'old'));
  for (const view of views) await look_at(view);
});
