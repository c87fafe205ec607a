// Starts Debian's Chromium and collects everything that must never happen on the page.
import { mkdtemp, rm } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

const modules = createRequire(join(process.env.TICKLEDGER_BROWSER_MODULES, 'package.json'));
const { chromium } = modules('playwright-core');
export const axe_file = modules.resolve('axe-core/axe.min.js');

// Without these it contacts its vendor's servers at every start.
const quiet = ['--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync',
  '--disable-quic'];
const here = ['--no-sandbox', '--disable-gpu'];  // Needed as root and without a display.

/** A browser with its own empty profile. Its time zone differs from the site's on purpose. */
export async function open_browser(options = {}) {
  const profile = await mkdtemp(join(tmpdir(), 'tickledger-chromium-'));
  const context = await chromium.launchPersistentContext(profile, {
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
    headless: true, args: [...quiet, ...here], locale: 'en-GB', timezoneId: 'America/New_York',
    viewport: { width: 1200, height: 900 }, ...options,
  });
  context.setDefaultTimeout(120_000);  // For a loaded machine.
  context.setDefaultNavigationTimeout(120_000);
  return { context, close: async () => { await context.close(); await rm(profile, { recursive: true, force: true }); } };
}

/**
 * The results of `read` for all matching elements, in one step. The driver's own calls find the elements in one step and
 * read them in the next. By then the page may have replaced them, and removed elements have neither lines nor styles.
 */
export const read_all = (page, selector, read) =>
  page.evaluate(`[...document.querySelectorAll(${JSON.stringify(selector)})].map(${read})`);

export const texts_of = (page, selector) => read_all(page, selector, (one) => one.innerText);

/** Collects errors, warnings and requests to other servers. */
export function watch_faults(page, origin) {
  const faults = [];
  page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) faults.push(`console: ${message.text()}`); });
  page.on('pageerror', (error) => faults.push(`error: ${error.message}`));
  page.on('request', (request) => { if (!request.url().startsWith(`${origin}/`)) faults.push(`foreign request: ${request.url()}`); });
  return faults;
}
