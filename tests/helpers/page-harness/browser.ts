/** Debian's chromium, driven for a test; ended by the test that started it. */
import { accessSync, constants, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { chromium, type Browser } from 'playwright-core';
import { build } from 'vite';

const CHROMIUM = '/usr/bin/chromium';
const FLAGS = [
  '--headless', '--no-sandbox', '--disable-gpu', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync',
];

/** @throws Error with the command that installs it, in one line, when chromium is missing */
export async function startBrowser(executable = CHROMIUM): Promise<Browser> {
  try {
    accessSync(CHROMIUM, constants.X_OK);
  } catch {
    throw new Error(`${CHROMIUM} is missing, which the tests of the page drive: run "apt-get install -y chromium", or "node tests/setup/needed-programs.mjs"`);
  }
  return chromium.launch({ executablePath: executable, args: FLAGS });
}

/** Builds the page as `npm run build:page` does, into a directory of its own. */
export async function buildPage(): Promise<{ directory: string; remove: () => void }> {
  const directory = mkdtempSync(join(tmpdir(), 'torsiond-page-'));
  await build({ configFile: fileURLToPath(new URL('../../../config/vite.page.config.ts', import.meta.url)), logLevel: 'warn', build: { outDir: directory } });
  return { directory, remove: () => rmSync(directory, { recursive: true, force: true }) };
}
