// node docs/pictures/take.mjs ADDRESS TERMINAL_TEXT: the page, light, dark and on a phone, and a terminal's text.
import { readFile } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

import { open_browser } from '../../tests/browser/chromium.mjs';

const [address, terminal_file] = process.argv.slice(2);
const here = dirname(fileURLToPath(import.meta.url));

async function take(name, options, prepare, clip = {}) {
  const browser = await open_browser({ timezoneId: 'Europe/Vienna', reducedMotion: 'reduce', ...options });
  const page = browser.context.pages()[0];
  await prepare(page);
  await page.screenshot({ path: join(here, `${name}.png`), ...clip });
  await browser.close();
}

const shown = (meter, then = async () => {}) => async (page) => {
  await page.goto(`${address}#meter=${meter}`);
  await page.waitForFunction(() => document.querySelector('#draws table') && document.querySelector('svg.day') && document.querySelector('#nights table'));
  await then(page);
};
const desk = { width: 1100, height: 1060 };

await take('page-light', { colorScheme: 'light', viewport: desk }, shown('flat-2'));
// A day before the leak: what the water was used for.
await take('page-dark', { colorScheme: 'dark', viewport: { width: 1100, height: 760 } }, shown('flat-3', async (page) => {
  await page.locator('#days tbody tr').nth(1).locator('button').click();
  await page.waitForFunction(() => [...document.querySelectorAll('.steps button')].some((one) => one.dataset.key === 'today'));
  await page.locator('#day').evaluate((one) => one.scrollIntoView({ block: 'start' }));
}));
await take('page-phone', { colorScheme: 'light', viewport: { width: 390, height: 844 } }, shown('flat-2'));
const text = await readFile(terminal_file, 'utf8');
await take('terminal', { viewport: { width: 900, height: 100 } }, async (page) => {
  await page.setContent('<style>body{margin:0;background:#17222a;color:#e4ecef}pre{margin:0;padding:16px;font:14px/1.35 "DejaVu Sans Mono",monospace;display:inline-block}</style><pre></pre>');
  await page.locator('pre').evaluate((one, it) => { one.textContent = it; }, text);
}, { fullPage: true });
