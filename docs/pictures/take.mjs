// node docs/pictures/take.mjs ADDRESS TERMINAL_TEXT: the page at three widths, light and dark, and a terminal's text.
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

const building = async (page) => {
  await page.goto(address);
  await page.waitForFunction(() => document.querySelector('#rows table') && document.querySelector('#alarms article') &&
    document.querySelector('#sums')?.textContent.includes('usual by now'));
};
const meter = (id, then = async () => {}) => async (page) => {
  await page.goto(`${address}#meter=${id}`);
  await page.waitForFunction(() => ['svg.day', '#draws table', '#nights table', '#years table'].every((part) => document.querySelector(part)));
  await then(page);
};
const desk = { width: 1200, height: 900 };
const tablet = { width: 768, height: 900 };
const phone = { width: 390, height: 844 };

await take('page-light', { viewport: desk }, building);
await take('page-tablet', { viewport: tablet }, building);
await take('page-phone', { viewport: phone }, building);
await take('page-meter', { viewport: desk }, meter('flat-2'));
await take('page-meter-tablet', { viewport: tablet }, meter('flat-2'));
await take('page-meter-phone', { viewport: phone }, meter('flat-2'));
// A day before the leak: what the water was used for.
await take('page-dark', { colorScheme: 'dark', viewport: { width: 1200, height: 760 } }, meter('flat-3', async (page) => {
  await page.locator('#days tbody tr').nth(1).locator('button').click();
  await page.waitForFunction(() => [...document.querySelectorAll('#flow button')].some((one) => one.dataset.key === 'today') && document.querySelector('#draws table'));
  await page.locator('#day').evaluate((one) => one.scrollIntoView({ block: 'start' }));
}));
const text = await readFile(terminal_file, 'utf8');
await take('terminal', { viewport: { width: 900, height: 100 } }, async (page) => {
  await page.setContent('<style>body{margin:0;background:#17222a;color:#e4ecef}pre{margin:0;padding:16px;font:14px/1.35 "DejaVu Sans Mono",monospace;display:inline-block}</style><pre></pre>');
  await page.locator('pre').evaluate((one, it) => { one.textContent = it; }, text);
}, { fullPage: true });
