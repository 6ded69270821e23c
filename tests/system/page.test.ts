import axe from 'axe-core';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { BENCH, PULSE_BENCH, workedBench, workedPulseBench } from '../helpers/page-harness/bench.ts';
import { buildPage, startBrowser } from '../helpers/page-harness/browser.ts';
import { FakeStation, type StationOptions } from '../helpers/page-harness/fake-station.ts';
import { clickPull, pulseRun, seeded, slipPull } from '../helpers/page-harness/pulls.ts';
import { madeRecord, madeSamples } from '../helpers/made-trace.ts';
import { runServer } from '../helpers/run-server.ts';

/** The page must show a stored reading within this, and be live again so soon after the station is back. */
const SHOWN_MS = 60_000;
const RECOVERED_MS = 60_000;

let browser: Browser;
let built: { directory: string; remove: () => void };
let station: FakeStation;
let context: BrowserContext;
let page: Page;
let complaints: string[] = [];
let foreign: string[] = [];

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
  foreign = [];
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(error.message));
  const own = new URL(station.url).host;
  const note = (url: string): void => {
    if (new URL(url).host !== own) foreign.push(url);
  };
  page.on('request', (request) => note(request.url()));
  page.on('websocket', (socket) => note(socket.url()));
  await page.goto(station.url);
}

const crank = (): ReturnType<Page['locator']> => page.locator('[data-channel="crank/1"]');
const random = seeded(11);

describe('the live page', () => {
  it('shows a reading with its verdict, its mark and its curve as soon as it is stored', async () => {
    await open();
    await page.getByText('Live', { exact: true }).waitFor();
    const pull = clickPull(50.4, 57.9, 1, random);
    const reading = station.store('crank/1', pull);
    await page.locator(`tr[data-reading="${reading.id}"]`).waitFor({ timeout: SHOWN_MS });
    expect(await crank().locator('.latest').innerText()).toMatch(/50\.\d\d N·m\s+Within limits\s+click · highest 57\.\d\d/);
    expect(await crank().locator('.trail-scale .mark-within').count()).toBe(1);
    await crank().locator(`.curve-plot[data-reading="${reading.id}"] canvas`).waitFor();
    expect(await crank().locator('.curve-plot').getAttribute('aria-label')).toMatch(/value 50\.\d\d N·m, highest 57\.\d\d N·m, with a click\. Within limits\./);
    expect(await page.locator('.spoken').innerText()).toMatch(/^Crank bolts: 50\.\d\d N·m, Within limits$/);
    expect(complaints).toEqual([]);
    expect(foreign).toEqual([]);
  });

  it('keeps the buttons in their place whatever the channel is doing, so that none moves away from under a finger', async () => {
    await open();
    await page.getByText('Live', { exact: true }).waitFor();
    const place = async (): Promise<unknown> => crank().getByRole('button', { name: 'Zero' }).boundingBox();
    const armed = await place();
    station.setState('crank/1', 'cycle');
    await crank().getByText('Torque applied').waitFor();
    expect(await place()).toEqual(armed);
  });

  it.each([['clockwise', 1], ['counter-clockwise', -1]])('writes click and highest torque beside the curve, neither over the other, %s', async (_way, side) => {
    await open();
    await page.getByText('Live', { exact: true }).waitFor();
    await page.evaluate(() => {
      const { fillText } = CanvasRenderingContext2D.prototype;
      const labels = new Map<string, { left: number; right: number; baseline: number; height: number }>();
      Object.assign(window, { labels });
      CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
        const { width } = this.measureText(text);
        if (/^(click|highest) /.test(text)) labels.set(text.split(' ')[0]!, { left: x, right: x + width, baseline: y, height: 12 * devicePixelRatio });
        fillText.call(this, text, x, y);
      };
    });
    // The highest torque hardly above the click and close behind it: the labels have the least room.
    const reading = station.store('crank/1', clickPull(50.4, 51.2, side as 1 | -1, random));
    await crank().locator(`.curve-plot[data-reading="${reading.id}"] canvas`).waitFor();
    const [click, highest] = await page.evaluate(() => {
      const { labels } = window as unknown as { labels: Map<string, { left: number; right: number; baseline: number; height: number }> };
      return [labels.get('click')!, labels.get('highest')!];
    });
    const isBeside = click.right < highest.left || highest.right < click.left;
    expect(isBeside || Math.abs(click.baseline - highest.baseline) >= click.height, JSON.stringify({ click, highest })).toBe(true);
  });

  it('tells verdicts apart by word and shape', async () => {
    await open();
    workedBench(station);
    await page.locator('tr[data-reading]').nth(10).waitFor();
    const shapes = await crank().locator('.trail-scale .mark').evaluateAll((marks) => marks.map((mark) => [mark.getAttribute('class'), mark.querySelector('path')!.getAttribute('d')]));
    expect(new Set(shapes.map(([kind]) => kind))).toEqual(new Set(['mark mark-within', 'mark mark-low', 'mark mark-high']));
    expect(new Set(shapes.map(([, shape]) => shape)).size).toBe(3);
    expect(new Set(await page.locator('td .verdict').allInnerTexts())).toEqual(new Set(['Within limits', 'Low', 'High', 'Not judged']));
    expect(await page.locator('td .tag', { hasText: 'filtered-step' }).first().getAttribute('title')).toContain('low-pass');
  });

  it('shows the live value by the channel\'s resolution, with sign, direction and unit, and holds a held reading', async () => {
    await open();
    await page.getByText('Live', { exact: true }).waitFor();
    station.live('stem/1', [-12.349, -12.346], 5, Date.UTC(2026, 10, 25, 8));
    const stem = page.locator('[data-channel="stem/1"]');
    await stem.locator('.number', { hasText: '−12.35' }).waitFor({ timeout: SHOWN_MS });
    expect(await stem.locator('.under').innerText()).toBe('N·m  ·  ↺ counter-clockwise');
    station.store('crank/1', clickPull(49, 55, 1, random));
    station.setState('crank/1', 'held');
    await crank().getByText('held reading').waitFor();
    expect(await crank().locator('.number').innerText()).toMatch(/^4[89]\.\d\d$/);
  });

  it('says what is wrong with an instrument, what to do, and shows no value for it', async () => {
    await open();
    const motor = page.locator('[data-channel="motor/1"]');
    await motor.getByText('No data', { exact: true }).waitFor();
    expect(await motor.locator('.trouble').innerText()).toMatch(/^No sample for 2000 ms\. .*Check that the device is on.*\(LINK_STALLED\)$/);
    expect(await motor.locator('.number').innerText()).toBe('–');
    expect(await page.locator('[data-channel="bits/1"] .tag-simulated').isVisible()).toBe(true);
    expect(await crank().locator('.tag-simulated').isVisible()).toBe(false);
    await page.getByText('Before you apply torque').click();
    expect(await page.locator('details li').first().isVisible()).toBe(true);
  });

  it('takes commands from mouse and keyboard, and says plainly why one was refused', async () => {
    await open();
    await page.getByText('Live', { exact: true }).waitFor();
    await crank().getByRole('button', { name: 'Arm' }).click();
    await crank().getByText('Armed.').waitFor();
    station.refuse = (message) => (message.type === 'zero' ? { code: 'ZERO_REFUSED', message: 'the torque is 12.3 N.m', hint: 'Unload the transducer.' } : null);
    await crank().getByRole('button', { name: 'Zero' }).focus();
    await page.keyboard.press('Enter');
    await crank().getByText('Zero: not done. The torque is 12.3 N.m. Unload the transducer.').waitFor();
    await page.getByRole('button', { name: 'Take reading' }).click();
    await page.getByText('Reading taken.').waitFor();
    expect(station.commands.map(({ type, ...rest }) => [type, 'channel' in rest ? rest.channel : null])).toEqual([['arm', 'crank/1'], ['zero', 'crank/1'], ['latch', 'stem/1']]);
    expect(await page.getByRole('button', { name: 'Take reading' }).count()).toBe(1);
  });

  it('says of a run-down how many pulses it had, the highest, the mean of the last ones and how long it took', async () => {
    await open(PULSE_BENCH, { width: 1280, height: 800 });
    await page.getByText('Live', { exact: true }).waitFor();
    const { pulse, ...run } = pulseRun(12, 50.4, random);
    const reading = station.store('impulse/1', run, { pulse });
    const line = page.locator(`tr[data-reading="${reading.id}"]`);
    await line.waitFor({ timeout: SHOWN_MS });
    const [highest, mean] = [pulse.highest.toFixed(2), pulse.meanOfLast.toFixed(2)];
    expect(await page.locator('[data-channel="impulse/1"] .latest .detail').innerText()).toBe(`12 pulses · highest ${highest} · mean of last 5: ${mean} · run-down 550 ms`);
    expect(await line.innerText()).toMatch(new RegExp(`${highest}[^]*12 pulses · mean of last 5: ${mean} · run-down 550 ms`));
    // Where the mean is the reading, the highest stands beside it.
    const other = station.store('impulse/1', { ...run, value: pulse.meanOfLast }, { pulse });
    expect(await page.locator(`tr[data-reading="${other.id}"] .col-detail`).innerText()).toBe(`12 pulses · highest ${highest} · run-down 550 ms`);
    for (const width of [390, 1920]) {
      await page.setViewportSize({ width, height: 800 });
      expect(await page.locator(`tr[data-reading="${other.id}"] .col-detail`).isVisible()).toBe(true);
    }
    expect(complaints).toEqual([]);
  });

  it('takes a zero check of a track channel, and says that it is one', async () => {
    await open(PULSE_BENCH);
    await page.getByText('Live', { exact: true }).waitFor();
    const check = page.getByRole('button', { name: 'Zero check' });
    expect(await check.count()).toBe(1);
    await check.click();
    await page.getByText('Zero check taken; it is not judged.').waitFor();
    expect(station.commands).toMatchObject([{ type: 'latch', channel: 'stem/1', zeroCheck: true }]);
    await page.getByRole('button', { name: 'Take reading' }).click();
    await page.getByText('Reading taken.').waitFor();
    expect(station.commands[1]).not.toHaveProperty('zeroCheck');
    const reading = station.store('stem/1', { ...slipPull(1, 1, random), value: 0.01, maximum: 0.01 }, { zeroCheck: true });
    await page.locator(`tr[data-reading="${reading.id}"]`, { hasText: 'zero check' }).waitFor({ timeout: SHOWN_MS });
    expect(await page.locator('[data-channel="stem/1"] .latest').innerText()).toMatch(/0\.01 N·m\s+Not judged\s+zero check/);
  });

  it.each([[390, 844, 'light'], [1280, 800, 'dark'], [1920, 1080, 'light']] as const)('with run-downs at %d by %d (%s) fits its width', async (width, height, scheme) => {
    await open(PULSE_BENCH, { width, height, scheme });
    await page.getByText('Live', { exact: true }).waitFor();
    workedPulseBench(station);
    await page.locator('tr[data-reading]').nth(5).waitFor({ timeout: SHOWN_MS });
    expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
    const cut = await page.locator('.buttons button:visible, .latest > *').evaluateAll((all) => all.filter((one) => one.scrollWidth > one.clientWidth + 1).map((one) => one.textContent));
    expect(cut).toEqual([]);
  });

  it('says when it is not live, and recovers without a reload when the station was started anew, with what was taken meanwhile', async () => {
    await open();
    workedBench(station);
    await page.locator('tr[data-reading]').nth(10).waitFor();
    await page.evaluate(() => document.body.setAttribute('data-same-page', 'yes'));
    station.live('crank/1', [3, 4], 5, Date.UTC(2026, 10, 25, 8));
    await crank().locator('.number', { hasText: '4.00' }).waitFor();
    const { port } = station;
    await station.close();
    await page.getByText('Connection to the station lost.').waitFor();
    expect(await crank().locator('.number').innerText()).toBe('–');
    expect(await crank().getByRole('button', { name: 'Arm' }).isDisabled()).toBe(true);

    station = await FakeStation.start({ pageDirectory: built.directory, ...BENCH, port, before: station, token: 'another-invented-token' });
    const missed = station.store('crank/1', clickPull(47, 53, 1, random));
    await page.locator(`tr[data-reading="${missed.id}"]`).waitFor({ timeout: RECOVERED_MS });
    await page.getByText('Live', { exact: true }).waitFor();
    expect(await page.locator('.banner-lost').isHidden()).toBe(true);
    await crank().locator(`.curve-plot[data-reading="${missed.id}"]`).waitFor();
    expect(await page.evaluate(() => document.body.getAttribute('data-same-page'))).toBe('yes');
    const ids = await page.locator('tr[data-reading]').evaluateAll((rows) => rows.map((row) => row.getAttribute('data-reading')));
    expect(ids).toEqual(station.stored.map((reading) => reading.id).reverse().slice(0, 25));
    // The browser itself notes the attempts that found nobody or were refused; the page must add nothing to that.
    expect(complaints.filter((text) => !/ERR_CONNECTION|401|HTTP Authentication failed/.test(text))).toEqual([]);
    expect(foreign).toEqual([]);
  });

  it('asks for a token when it was given none, says when one is wrong, and keeps a right one for the tab only', async () => {
    await open({ givesToken: false });
    await page.getByLabel('Token').fill('wrong');
    await page.getByRole('button', { name: 'Open' }).click();
    await page.getByText('does not take this token').waitFor();
    await page.getByLabel('Token').fill(station.token);
    await page.keyboard.press('Enter');
    await page.getByText('Live', { exact: true }).waitFor();
    await page.reload();
    await page.getByText('Live', { exact: true }).waitFor();
    expect(await page.evaluate(() => [localStorage.length, document.cookie])).toEqual([0, '']);
    expect(page.url()).not.toContain(station.token);
  });

  it('leaves the commands to those who may give them', async () => {
    await open({ scope: 'read' });
    await page.getByText('Live', { exact: true }).waitFor();
    expect(await crank().getByRole('button', { name: 'Zero' }).isDisabled()).toBe(true);
  });
});

describe('served by the gateway\'s own server', () => {
  it('is given its access, obeys its policy, and draws the curve that its interface hands out', async () => {
    const run = await runServer({}, { pageDirectory: built.directory });
    try {
      const { reading, trace } = madeRecord(0, madeSamples({ seconds: 2, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 }, 3));
      run.gateway.announce(await run.gateway.store.append(reading, trace));
      context = await browser.newContext();
      page = await context.newPage();
      complaints = [];
      page.on('console', (message) => complaints.push(message.text()));
      page.on('pageerror', (error) => complaints.push(error.message));
      await page.goto(run.server.url);
      await page.locator(`tr[data-reading="${reading.id}"]`).waitFor();
      await page.locator(`[data-channel="${reading.channel}"] .curve-plot[data-reading="${reading.id}"] canvas`).waitFor();
      run.gateway.sample(Float64Array.of(10, 11, 12.34));
      await page.locator('[data-channel="bench-a/1"] .number', { hasText: '12.34' }).waitFor();
      await page.locator('[data-channel="bench-a/1"]').getByRole('button', { name: 'Zero' }).click();
      await page.getByText('Zeroed.').waitFor();
      expect(run.gateway.commands.map((command) => [command.type, command.channel])).toEqual([['zero', 'bench-a/1']]);
      expect(complaints).toEqual([]);
    } finally {
      await context.close();
      await run.stop();
    }
  });
});

describe('who it is for', () => {
  it.each([
    { width: 1280, height: 800, scheme: 'light' as const }, { width: 1280, height: 800, scheme: 'dark' as const },
    { width: 390, height: 844, scheme: 'light' as const }, { width: 390, height: 844, scheme: 'dark' as const },
    { width: 1920, height: 1080, scheme: 'light' as const }, { width: 1920, height: 1080, scheme: 'dark' as const },
  ])('is accessible and does not spill at $width x $height, $scheme', async (look) => {
    await open({}, look);
    workedBench(station);
    await page.locator('tr[data-reading]').nth(10).waitFor();
    await crank().locator('.curve-plot canvas').waitFor();
    expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
    // No caption is cut off, and no state moves the page by taking a second line.
    expect(await page.evaluate(() => [...document.querySelectorAll('figcaption')].filter((caption) => caption.scrollWidth > caption.clientWidth).map((caption) => caption.textContent))).toEqual([]);
    expect(await page.evaluate(() => [...document.querySelectorAll<HTMLElement>('.marks')].filter((marks) => {
      marks.firstElementChild!.textContent = 'Torque applied';
      return marks.offsetHeight > 1.6 * (marks.firstElementChild as HTMLElement).offsetHeight;
    }).map((marks) => marks.textContent))).toEqual([]);
    await page.getByText('Before you apply torque').click();
    await page.evaluate(axe.source);
    const found = await page.evaluate(async () => {
      const { axe: tool } = globalThis as unknown as { axe: typeof axe };
      const result = await tool.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice'] });
      return { broken: result.violations.map((rule) => `${rule.id}: ${rule.nodes.map((node) => node.html).join(' ')}`), kept: result.passes.length };
    });
    expect(found.broken).toEqual([]);
    expect(found.kept).toBeGreaterThan(20);
  });

  it('has the value readable across a bench on a 1920 screen', async () => {
    await open({}, { width: 1920, height: 1080 });
    await page.getByText('Live', { exact: true }).waitFor();
    // 24 inch wide screen: 0.277 mm a pixel; capitals of 20 mm are read at 3 m with ease (an eye test's normal line is 4.4 mm there).
    const size = await crank().locator('.number').evaluate((element) => parseFloat(getComputedStyle(element).fontSize));
    expect(size * 0.7 * 0.277).toBeGreaterThan(20);
  });
});
