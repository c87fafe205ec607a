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
before(async () => { house = await House.open(); });
after(async () => { await house?.close(); });

const violations = (page) => page.evaluate((tags) => axe.run(document, { runOnly: tags }).then(({ violations: all }) =>
  all.map((one) => `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map((node) => `${node.target} (${node.failureSummary})`).join('; ')}`)), rules);

for (const view of views) {
  test(`nothing keeps anybody out: ${view.name}`, async () => {
    // The checker is put into the page, which the page's own policy would not let happen.
    const browser = await open_browser({ ...view, bypassCSP: true });
    try {
      const page = browser.context.pages()[0];
      await page.goto(`${house.origin}/`);
      await until('all is shown', () => page.evaluate(() => document.querySelectorAll('#draws table, #nights table, #readings, #meters table, svg.day').length >= 5));
      await page.evaluate(() => { for (const one of document.querySelectorAll('details')) one.open = true; });
      await page.addScriptTag({ path: axe_file });
      assert.deepEqual(await violations(page), []);
      const [inner, whole] = await page.evaluate(() => [document.documentElement.clientWidth, document.documentElement.scrollWidth]);
      assert.ok(whole <= inner, `the page is ${whole} pixels wide on ${inner}`);

      await house.daemon.stop();
      await until('the page tells that the daemon is gone', () => page.evaluate(() => document.body.dataset.state === 'old'));
      assert.deepEqual(await violations(page), []);
    } finally {
      await browser.close();
      if (!house.daemon.runs()) await house.start_daemon();
    }
  });
}
