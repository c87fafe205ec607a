// Debian's Chromium, driven; and what must never happen on the page, collected.
import { mkdtemp, rm } from 'node:fs/promises';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

const modules = createRequire(join(process.env.TICKLEDGER_BROWSER_MODULES, 'package.json'));
const { chromium } = modules('playwright-core');
export const axe_file = modules.resolve('axe-core/axe.min.js');

// Without these it looks for its maker's servers at every start.
const quiet = ['--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync',
  '--disable-quic'];
const here = ['--no-sandbox', '--disable-gpu'];  // As root, and without a display.

/** A browser with an empty profile of its own. Its zone is not the site's, on purpose. */
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
 * What `read` makes of each element that matches, in one step. The driver's own calls for many elements find them in one
 * step and read them in the next; the page may have put others in their place by then, and what has left it has neither
 * lines nor a look.
 */
export const read_all = (page, selector, read) =>
  page.evaluate(`[...document.querySelectorAll(${JSON.stringify(selector)})].map(${read})`);

export const texts_of = (page, selector) => read_all(page, selector, (one) => one.innerText);

/** Everything on the page that nobody should ever see. */
export function watch_faults(page, origin) {
  const faults = [];
  page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) faults.push(`console: ${message.text()}`); });
  page.on('pageerror', (error) => faults.push(`error: ${error.message}`));
  page.on('request', (request) => { if (!request.url().startsWith(`${origin}/`)) faults.push(`foreign request: ${request.url()}`); });
  return faults;
}
