// Accessibility checks: WCAG 2.2 A and AA as far as a tool can check them, in light and dark, on large and small screens.
import assert from 'node:assert/strict';

import { axe_file, open_browser } from './chromium.mjs';

const rules = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'];
export const views = [
  { name: 'light, on a desk', colorScheme: 'light', viewport: { width: 1200, height: 900 } },
  { name: 'dark, on a desk', colorScheme: 'dark', viewport: { width: 1200, height: 900 } },
  { name: 'light, on a tablet', colorScheme: 'light', viewport: { width: 768, height: 1024 } },
  { name: 'light, on a phone', colorScheme: 'light', viewport: { width: 390, height: 844 } },
  { name: 'dark, on a phone', colorScheme: 'dark', viewport: { width: 390, height: 844 } },
  // WCAG 2.2 success criterion 1.4.10: no horizontal scrolling down to a width of 320 pixels.
  { name: 'light, as narrow as it must work', colorScheme: 'light', viewport: { width: 320, height: 640 } },
];

/** A browser that allows the checker in its pages, which the page's own policy forbids. */
export async function open_checked() {
  const browser = await open_browser({ bypassCSP: true });
  const page = browser.context.pages()[0];
  await page.addInitScript({ path: axe_file });
  return { browser, page };
}

const violations = (page) => page.evaluate((tags) => axe.run(document, { runOnly: tags }).then(({ violations: all }) =>
  all.map((one) => `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map((node) => `${node.target} (${node.failureSummary})`).join('; ')}`)), rules);

/** The colours of marks whose contrast with the card is below 3:1 (1.4.11), by WCAG 2.2's relative luminance. */
const weak_marks = (page) => page.evaluate(() => {
  const style = getComputedStyle(document.documentElement);
  const luminance = (role) => {
    const [r, g, b] = [0, 2, 4].map((i) => parseInt(style.getPropertyValue(role).trim().slice(1 + i, 3 + i), 16) / 255)
      .map((one) => (one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  return ['--ink', '--edge', '--water', '--quiet', '--good', '--bad', '--warn'].map((role) => [role, contrast(luminance(role), luminance('--card'))])
    .filter(([, ratio]) => !(ratio >= 3)).map(([role, ratio]) => `${role} has ${ratio.toFixed(2)}:1`);
});

export async function look_at(page, { colorScheme, viewport }) {
  await page.setViewportSize(viewport);
  await page.emulateMedia({ colorScheme });
  assert.deepEqual(await violations(page), []);
  assert.deepEqual(await weak_marks(page), []);
  const [inner, whole] = await page.evaluate(() => [document.documentElement.clientWidth, document.documentElement.scrollWidth]);
  assert.ok(whole <= inner, `the page is ${whole} pixels wide in a window of ${inner}`);
}
