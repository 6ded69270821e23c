/** Scanners on the page in chromium: whether they are connected, their codes, and those that type as a keyboard. */
import axe from 'axe-core';
import type { Browser, BrowserContext, CDPSession, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { BENCH } from '../helpers/page-harness/bench.ts';
import { buildPage, startBrowser } from '../helpers/page-harness/browser.ts';
import { FakeStation, scanner, type StationOptions } from '../helpers/page-harness/fake-station.ts';
import { runServer } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const GUN = scanner('gun-a', 'Hand scanner');
const PEDAL = scanner('pedal-a', 'Pedal of the crank place', { link: '/dev/ttyS1' });
const LOST = { ...GUN, state: 'waiting' as const, fault: { code: 'LINK_NOT_FOUND', message: 'there is no such port', where: GUN.link, hint: 'Plug the adapter in, or run "torsiond ports" to see the names that exist.' } };

let browser: Browser;
let built: { directory: string; remove: () => void };
let station: FakeStation;
let context: BrowserContext;
let page: Page;
let keyboard: CDPSession;
let complaints: string[] = [];
/** Time of the last key that was pressed, s; a test's keys never wait for the machine. */
let keyTimeS: number;

beforeAll(async () => {
  [browser, built] = await Promise.all([startBrowser(), buildPage()]);
});
afterAll(async () => {
  await browser?.close();
  built?.remove();
});
afterEach(async () => {
  await context?.close();
  await station?.close();
});

async function open(options: Partial<StationOptions> = {}, look: { width: number; height: number; scheme?: 'light' | 'dark' } = { width: 1280, height: 800 }): Promise<void> {
  station = await FakeStation.start({ pageDirectory: built.directory, ...BENCH, ...options });
  context = await browser.newContext({ viewport: { width: look.width, height: look.height }, colorScheme: look.scheme ?? 'light' });
  page = await context.newPage();
  page.setDefaultTimeout(60_000);
  complaints = [];
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(error.message));
  await page.goto(station.url);
  await page.getByText('Live', { exact: true }).waitFor();
  keyboard = await context.newCDPSession(page);
  keyTimeS = Date.now() / 1_000;
}

/** Presses keys with the times that a keyboard would give them, whatever the machine is busy with. */
async function type(keys: readonly string[], gapMs: number): Promise<void> {
  for (const key of keys) {
    keyTimeS += gapMs / 1_000;
    const isEnter = key === 'Enter';
    const text = isEnter ? '\r' : key;
    const code = isEnter ? 'Enter' : key === ' ' ? 'Space' : `Key${key.toUpperCase()}`;
    const event = { key, code, text, windowsVirtualKeyCode: isEnter ? 13 : key.toUpperCase().charCodeAt(0) };
    await keyboard.send('Input.dispatchKeyEvent', { type: 'keyDown', ...event, timestamp: keyTimeS });
    await keyboard.send('Input.dispatchKeyEvent', { type: 'keyUp', key, code, windowsVirtualKeyCode: event.windowsVirtualKeyCode, timestamp: keyTimeS + 0.002 });
  }
}

const said = (): unknown[] => station.commands.map((command) => [command.type, 'code' in command ? command.code : 'channel' in command ? command.channel : null]);
const buttonPlace = (): Promise<unknown> => page.locator('[data-channel="crank/1"]').getByRole('button', { name: 'Zero' }).boundingBox();
const note = (): ReturnType<Page['locator']> => page.locator('.scan-note');

describe('the page', () => {
  it.each([[1280, 800], [390, 844]])('says whether scanners are connected, and what to do when one is not, without moving a button, at %i x %i', async (width, height) => {
    await open({ scanners: [GUN, PEDAL] }, { width, height });
    await page.getByText('2 scanners connected', { exact: true }).waitFor();
    const before = await buttonPlace();
    station.setScanner(LOST);
    await page.getByText('1 of 2 scanners connected').waitFor();
    const row = page.locator('[data-scanner="gun-a"]');
    expect(await row.innerText()).toMatch(/^Not connected\s+Hand scanner\s+\S+gun-a\s+There is no such port\. Plug the adapter in, .*\(LINK_NOT_FOUND\)$/);
    expect(await buttonPlace()).toEqual(before);
    station.setScanner(GUN);
    await page.getByText('2 scanners connected', { exact: true }).waitFor();
    expect(await row.innerText()).toMatch(/^Connected\s+Hand scanner/);
    expect(complaints).toEqual([]);
  });

  it('has no word of scanners where there are none', async () => {
    await open();
    expect(await page.locator('.scanners').isVisible()).toBe(false);
    expect(await page.locator('.scanners-short').isVisible()).toBe(false);
  });

  it('shows the last code and where it came from for some moments, and moves nothing', async () => {
    await open({ scanners: [GUN] });
    const before = await buttonPlace();
    station.scanSeen('HF-T-0042', 'scanner:gun-a');
    await note().getByText('Code HF-T-0042 from Hand scanner').waitFor();
    expect(await note().getAttribute('role')).toBe('status');
    expect(await buttonPlace()).toEqual(before);
    station.scanSeen('HF-T-0043', 'client:line terminal');
    await note().getByText('Code HF-T-0043 from line terminal').waitFor();
    // Text that markup or marks of direction would turn into something else.
    station.scanSeen('\u202e<img src=x onerror=alert(1)>', 'scanner:gun-a');
    await note().getByText('<img src=x onerror=alert(1)>').waitFor();
    expect(await note().locator('img').count()).toBe(0);
    const [code, from] = await Promise.all([note().locator('bdi').boundingBox(), note().locator('span').boundingBox()]);
    expect(from!.x).toBeGreaterThanOrEqual(code!.x + code!.width - 1);
    await note().locator('p').waitFor({ state: 'detached', timeout: 60_000 });
  });

  it.each([
    { width: 1280, height: 800, scheme: 'light' as const }, { width: 1280, height: 800, scheme: 'dark' as const },
    { width: 390, height: 844, scheme: 'light' as const }, { width: 390, height: 844, scheme: 'dark' as const },
  ])('is accessible with scanners, a code and a lost scanner, and does not spill, at $width, $scheme', async (look) => {
    await open({ scanners: [LOST, PEDAL, scanner('old', 'Old scanner', { state: 'stopped' })] }, look);
    station.scanSeen(`HF-${'0123456789'.repeat(20)}`, 'scanner:pedal-a');
    await note().locator('p').waitFor();
    expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
    await page.evaluate(axe.source);
    const broken = await page.evaluate(async () => {
      const { axe: tool } = globalThis as unknown as { axe: typeof axe };
      const result = await tool.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice'] });
      return result.violations.map((rule) => `${rule.id}: ${rule.nodes.map((node) => node.html).join(' ')}`);
    });
    expect(broken).toEqual([]);
  });
});

describe('a scanner that types as a keyboard', () => {
  it('hands its code over and presses no button, though one has the focus and the code has a blank and ends with Enter', async () => {
    await open();
    await page.locator('[data-channel="crank/1"]').getByRole('button', { name: 'Zero' }).focus();
    await type([...'HF T 42', 'Enter'], 8);
    await waitUntil(() => station.commands.length > 0, 'the code');
    // What a button would have sent went out before this.
    await page.getByRole('button', { name: 'Arm' }).first().click();
    await waitUntil(() => station.commands.some((command) => command.type === 'arm'), 'the click');
    expect(said()).toEqual([['scan', 'HF T 42'], ['arm', 'crank/1']]);
    expect(complaints).toEqual([]);
  });

  it('is told apart from a person, who presses buttons by Enter and by the space bar as ever', async () => {
    await open();
    await page.locator('[data-channel="crank/1"]').getByRole('button', { name: 'Zero' }).focus();
    await type([...'hf42', 'Enter'], 140);
    await waitUntil(() => station.commands.length === 1, 'the button by Enter');
    await type([' '], 600);
    await waitUntil(() => station.commands.length === 2, 'the button by the space bar');
    expect(said()).toEqual([['zero', 'crank/1'], ['zero', 'crank/1']]);
  });

  it('has its code shown when the station told of it, or why it was not taken', async () => {
    await open();
    await type([...'HF-T-0042', 'Enter'], 10);
    await waitUntil(() => station.commands.length === 1, 'the code');
    station.scanSeen('HF-T-0042', 'client:page');
    await note().getByText('Code HF-T-0042 typed by a scanner at the page').waitFor();
    station.refuse = (message) => (message.type === 'scan' ? { code: 'LIMIT_REACHED', message: 'too many commands', hint: 'Wait a little.' } : null);
    await type([...'HF-T-0043', 'Enter'], 10);
    await note().getByText('Code HF-T-0043 was not passed on. Too many commands. Wait a little.').waitFor();
  });

  it('reaches the gateway by its own server, which says that it came from the page', async () => {
    const run = await runServer({}, { pageDirectory: built.directory });
    try {
      context = await browser.newContext();
      page = await context.newPage();
      await page.goto(run.server.url);
      await page.getByText('Live', { exact: true }).waitFor();
      keyboard = await context.newCDPSession(page);
      keyTimeS = Date.now() / 1_000;
      await type([...'HF-T-0042', 'Enter'], 10);
      await waitUntil(() => run.gateway.scans.length > 0, 'the code');
      expect(run.gateway.scans).toEqual([{ code: 'HF-T-0042', source: 'client:page' }]);
    } finally {
      await context.close();
      await run.stop();
    }
  });

  it('types into a place for text as any keyboard does', async () => {
    await open({ givesToken: true });
    await page.evaluate(() => {
      const field = document.createElement('input');
      field.id = 'field';
      document.body.append(field);
      field.focus();
    });
    await type([...'HF42', 'Enter'], 8);
    expect(await page.locator('#field').inputValue()).toBe('HF42');
    await page.getByRole('button', { name: 'Arm' }).first().click();
    await waitUntil(() => station.commands.length > 0, 'the click');
    expect(said()).toEqual([['arm', 'crank/1']]);
  });

  it('hands over nothing where the token may only read, and says so', async () => {
    await open({ scope: 'read' });
    await type([...'HF-T-0042', 'Enter'], 10);
    await note().getByText('Your token may only read').waitFor();
    expect(station.commands).toEqual([]);
  });
});
