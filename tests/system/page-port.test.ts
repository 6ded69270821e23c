/**
 * A page in a real browser reads a transducer at its own computer with Web Serial, and its bytes become stored readings.
 * Where the machine allows it, on the browser's own Web Serial over a pseudo terminal; the button, which makes a
 * browser ask a person, and the faults of a port on a simulated one.
 */
import axe from 'axe-core';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it, onTestFinished } from 'vitest';
import { startDaemon } from '../../daemon/app.ts';
import { createLog } from '../../daemon/log.ts';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { connect, type ClientEvents, type TorsiondClient } from '../../shared/client/index.ts';
import { systemClock } from '../../shared/clock.ts';
import type { SimulatedSerial, UsbPort, WebSerialSimulatedPort } from '../../simulator/index.ts';
import type * as simulatedSerial from '../../simulator/ports/web-serial-port.ts';
import { openPtyPort, parseScenario } from '../../simulator/index.ts';
import { makeInstrument } from '../../simulator/instruments/make-instrument.ts';
import { shownScale } from '../../simulator/instruments/shown.ts';
import type * as simulatedUsb from '../helpers/page-harness/simulated-usb.ts';
import { buildPage, startBrowser } from '../helpers/page-harness/browser.ts';
import { simulatedSerialScript, simulatedUsbScript, startSerialBrowser, whyNoSerialBrowser } from '../helpers/page-harness/serial-browser.ts';
import { SteeredTorque } from '../helpers/steered-torque.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const PLAN = parseScenario(`
title: A laptop of Hollin & Fenn (invented)
instruments:
  - { id: lines, title: Lines, sampleRateHz: 500, format: { decimals: 3 }, channels: [{ title: A, unit: N.m, transducer: { serialNumber: HF-T60-0041, capacityNm: 60 }, tool: { kind: none }, suggested: { mode: peak, target: 40, low: 1, high: 50 } }] }
`, 'test.yaml').instruments[0]!;

let built: { directory: string; remove: () => void };
let script: string;
let usbScript: string;

beforeAll(async () => {
  [built, script, usbScript] = await Promise.all([buildPage(), simulatedSerialScript(), simulatedUsbScript()]);
});
afterAll(() => built?.remove());

interface Station {
  readonly url: string;
  readonly client: TorsiondClient;
  readonly stored: ClientEvents['reading.stored'][];
  live(): number;
  state(): string;
}

async function station(link: object = { kind: 'browser', baudRate: 57_600 }): Promise<Station> {
  const dataDirectory = tempFolder();
  const { token } = openTokenStore(dataDirectory).create('read', 'test');
  const settings = Settings.parse({
    station: 'Hollin & Fenn, bench 3', server: { port: 0 },
    instruments: [{
      id: 'bench-a', title: 'Laptop bench', link, driver: { id: 'ascii-lines' },
      channels: [{ title: 'Crank bolts', zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-T60-0041', capacity: 60, resolution: 0.001 }, capture: { mode: 'peak' } }],
    }],
  });
  const daemon = await startDaemon({ settings, dataDirectory, pageDirectory: built.directory, log: createLog({ isTerminal: false, level: 'error', write: () => {} }) });
  const client = connect({ url: daemon.url, token, liveHz: 50 });
  onTestFinished(async () => {
    client.close();
    await daemon.close();
  });
  const stored: ClientEvents['reading.stored'][] = [];
  client.on('reading.stored', (event) => stored.push(event));
  let live = 0;
  client.on('channel.live', (event) => (live = event.value));
  const hello = await client.connected();
  let state: string = hello.instruments[0]!.state;
  client.on('instrument.state', (event) => (state = event.instrument.state));
  return { url: daemon.url, client, stored, live: () => live, state: () => state };
}

async function pageOf(browser: Browser, look: { width: number; height: number; scheme?: 'light' | 'dark' } = { width: 1280, height: 800 }): Promise<{ page: Page; complaints: string[] }> {
  const context = await browser.newContext({ viewport: { width: look.width, height: look.height }, colorScheme: look.scheme ?? 'light' });
  const page = await context.newPage();
  page.setDefaultTimeout(60_000);
  const complaints: string[] = [];
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(error.message));
  return { page, complaints };
}

async function expectSoundLook(page: Page): Promise<void> {
  expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
  await page.evaluate(axe.source);
  const broken = await page.evaluate(async () => {
    const { axe: tool } = globalThis as unknown as { axe: typeof axe };
    const { violations, passes } = await tool.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice'] });
    return { found: violations.map((rule) => `${rule.id}: ${rule.nodes.map((node) => node.html).join(' ')}`), kept: passes.length };
  });
  expect(broken.found).toEqual([]);
  expect(broken.kept).toBeGreaterThan(20);
}

/** A port of the page's own making in place of the browser's: a device that sends 500 lines a second of the torque it is told. */
async function withSimulatedPort(page: Page, isGranted: boolean): Promise<void> {
  // One script: those added apart run in no order that can be relied on.
  await page.addInitScript({ content: `${script}\n(${simulate.toString()})(simulatedSerial, ${isGranted});` });
}

/** Runs in the page. */
function simulate(made: typeof simulatedSerial, isGranted: boolean): void {
  const device = made.openWebSerialPort({ usbVendorId: 0x1209, usbProductId: 0x0001 });
  const serial = new made.SimulatedSerial([device.port], isGranted || sessionStorage.getItem('granted') !== null ? [device.port] : []);
  serial.choose = (ports) => {
    sessionStorage.setItem('granted', 'yes');
    return ports[0] ?? null;
  };
  Object.defineProperty(navigator, 'serial', { value: serial });
  const at = { device, serial, target: 0 };
  Object.assign(window, { at });
  let torque = 0;
  let sent = performance.now();
  setInterval(() => {
    let text = '';
    for (; sent + 2 <= performance.now(); sent += 2) {
      torque += Math.max(-0.2, Math.min(0.2, at.target - torque));
      text += `${torque.toFixed(3)}\r\n`;
    }
    if (text !== '') device.write(new TextEncoder().encode(text));
  }, 10);
}

interface InPage { readonly device: WebSerialSimulatedPort; readonly serial: SimulatedSerial; target: number }
const steer = (page: Page, target: number): Promise<void> => page.evaluate((value) => {
  (window as unknown as { at: InPage }).at.target = value;
}, target);

const port = (page: Page): ReturnType<Page['locator']> => page.locator('[data-channel="bench-a/1"] .port');

/** Torque goes up, the page shows it, it comes down, and the reading is stored. */
async function pull(at: Station, page: Page, top: number, turn: (target: number) => Promise<void> | void): Promise<void> {
  const before = at.stored.length;
  await waitUntil(() => Math.abs(at.live()) < 0.01, 'rest');
  await turn(top);
  await waitUntil(() => Math.abs(at.live() - top) < 0.01, `${top} N.m`);
  await turn(0);
  await waitUntil(() => at.stored.length === before + 1, 'the stored reading');
  const { reading } = at.stored.at(-1)!;
  expect(reading).toMatchObject({ channel: 'bench-a/1', value: top, verdict: 'none' });
  await page.locator(`tr[data-reading="${reading.id}"]`).waitFor();
}

describe('the browser\'s own Web Serial', () => {
  const why = whyNoSerialBrowser();
  console.log(why === null ? 'Web Serial: the browser\'s own, over a pseudo terminal' : `Web Serial: a simulated port in the page, because ${why}`);

  it('reads a port that was connected before, and its bytes become stored readings', async () => {
    const at = await station();
    const source = new SteeredTorque();
    let browser: Browser;
    if (why === null) {
      const terminal = await openPtyPort();
      const instrument = makeInstrument(PLAN, { port: terminal, clock: systemClock, rateHz: 500, channels: [{ source, shown: shownScale(PLAN.channels[0]!) }] });
      instrument.switchOn();
      onTestFinished(async () => {
        instrument.switchOff();
        await terminal.close();
      });
      browser = await startSerialBrowser(terminal.address.path, new URL(at.url).origin);
    } else {
      browser = await startBrowser();
    }
    onTestFinished(() => browser.close());
    const { page, complaints } = await pageOf(browser);
    if (why !== null) await withSimulatedPort(page, true);
    await page.addInitScript((info) => localStorage.setItem('torsiond-ports', JSON.stringify({ 'bench-a': info })), why === null ? {} : { usbVendorId: 0x1209, usbProductId: 0x0001 });
    expect(at.state()).toBe('absent');
    await page.goto(at.url);
    await port(page).getByText(/^Reading .* at this computer\. Keep this page open\.$/).waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples');
    if (why === null) expect(await page.evaluate(() => Function.prototype.toString.call((navigator as unknown as { serial: { getPorts: () => void } }).serial.getPorts))).toContain('[native code]');
    const turn = (target: number): Promise<void> | void => (why === null ? void (source.target = target) : steer(page, target));
    await pull(at, page, 33.333, turn);
    await pull(at, page, -21.5, turn);
    await port(page).getByRole('button', { name: 'Disconnect' }).click();
    await waitUntil(() => at.state() === 'absent', 'the instrument to wait for a page');
    expect(complaints).toEqual([]);
  });
});

describe('a port of the page\'s computer', () => {
  let browser: Browser;
  beforeAll(async () => {
    browser = await startBrowser();
  });
  afterAll(() => browser?.close());

  it('is connected by a button, comes back after a read error, a re-plug and a reload, and is let go by a button', async () => {
    const at = await station();
    const { page, complaints } = await pageOf(browser);
    onTestFinished(() => page.context().close());
    await withSimulatedPort(page, false);
    await page.goto(at.url);
    await port(page).getByText('The transducer may be plugged in at this computer: connect its port.').waitFor();
    expect(await page.locator('[data-channel="bench-a/1"] .trouble').innerText()).toBe('No page offers a port for this instrument. Open the page on the computer with the transducer and press "Connect port". (LINK_NOT_FOUND)');
    await port(page).getByRole('button', { name: 'Connect port' }).click();
    await port(page).getByText('Reading USB 1209:0001 at this computer. Keep this page open.').waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples');
    await pull(at, page, 12.5, (target) => steer(page, target));

    await page.evaluate(() => (window as unknown as { at: InPage }).at.device.fail('FramingError'));
    await port(page).getByText('Read errors so far: 1.').waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples after the read error');
    await pull(at, page, 14, (target) => steer(page, target));

    await page.evaluate(() => (window as unknown as { at: InPage }).at.device.unplug());
    await port(page).getByText('USB 1209:0001 was unplugged. It is connected again by itself when it is back.').waitFor();
    await page.evaluate(() => (window as unknown as { at: InPage }).at.device.replug());
    await port(page).getByText('Reading USB 1209:0001 at this computer. Keep this page open.').waitFor();

    await page.reload();
    await port(page).getByText('Reading USB 1209:0001 at this computer. Keep this page open.').waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples after the reload');
    await pull(at, page, 16.25, (target) => steer(page, target));
    expect(at.stored.map(({ reading }) => reading.value)).toEqual([12.5, 14, 16.25]);

    await port(page).getByRole('button', { name: 'Disconnect' }).click();
    await port(page).getByRole('button', { name: 'Connect port' }).waitFor();
    await waitUntil(() => at.state() === 'absent', 'the instrument to wait for a page');
    await page.reload();
    await port(page).getByText('The transducer may be plugged in at this computer: connect its port.').waitFor();
    expect(complaints).toEqual([]);
  });

  it('is refused in words while another page serves the instrument, and taken over when the person says so', async () => {
    const at = await station();
    const [first, second] = await Promise.all([pageOf(browser), pageOf(browser)]);
    onTestFinished(async () => void (await Promise.all([first, second].map(({ page }) => page.context().close()))));
    for (const { page } of [first, second]) {
      await withSimulatedPort(page, false);
      await page.goto(at.url);
    }
    await port(first.page).getByRole('button', { name: 'Connect port' }).click();
    await port(first.page).getByText(/^Reading /).waitFor();
    await port(second.page).getByText('The transducer is read through another page: USB 1209:0001 (page).').waitFor();
    await port(second.page).getByRole('button', { name: 'Connect port' }).click();
    await port(second.page).getByText(/^"bench-a" has a port already: USB 1209:0001 \(page\)\./).waitFor();
    await port(second.page).getByRole('button', { name: 'Take its place' }).click();
    await port(second.page).getByText(/^Reading /).waitFor();
    await port(first.page).getByText(/^Another page took its place\./).waitFor();
    expect([...first.complaints, ...second.complaints]).toEqual([]);
  });

  it('is not offered by a browser that cannot read ports: the page says what is needed', async () => {
    const at = await station();
    const { page } = await pageOf(browser);
    onTestFinished(() => page.context().close());
    await page.addInitScript(() => Object.defineProperty(navigator, 'serial', { value: undefined }));
    await page.goto(at.url);
    await port(page).getByText(/^This browser cannot read serial ports\./).waitFor();
    expect(await port(page).getByRole('button').count()).toBe(0);
  });

  it.each([
    { width: 1280, height: 800, scheme: 'light' as const }, { width: 1280, height: 800, scheme: 'dark' as const },
    { width: 390, height: 844, scheme: 'light' as const }, { width: 390, height: 844, scheme: 'dark' as const },
  ])('is shown accessibly and without spilling at $width x $height, $scheme', async (look) => {
    const at = await station();
    const { page } = await pageOf(browser, look);
    onTestFinished(() => page.context().close());
    await withSimulatedPort(page, false);
    await page.goto(at.url);
    for (const state of ['none', 'open', 'unplugged'] as const) {
      if (state === 'open') await port(page).getByRole('button', { name: 'Connect port' }).click();
      if (state === 'unplugged') await page.evaluate(() => (window as unknown as { at: InPage }).at.device.unplug());
      await port(page).getByText(state === 'none' ? /^The transducer may be/ : state === 'open' ? /^Reading / : /was unplugged/).waitFor();
      await expectSoundLook(page);
      if (process.env['TORSIOND_SHOTS']) await page.screenshot({ path: `${process.env['TORSIOND_SHOTS']}/${look.width}-${look.scheme}-${state}.png` });
    }
  });
});

/** Runs in the page: a USB device in place of the browser's own, which sends 500 lines a second of the torque it is told. */
function simulateUsb(made: typeof simulatedUsb): void {
  const bus = new made.UsbBus();
  const device = made.openUsbPort({ bus });
  // A keyboard's chip, which the page must not ask for.
  const other = made.openUsbPort({ bus, productId: 0x0003, place: '1-2' });
  const usb = new made.SimulatedUsb(bus, sessionStorage.getItem('granted') === null ? [] : [device.device!]);
  usb.choose = (devices) => {
    if (devices.includes(other.device!)) throw new Error('the page asked for devices that the settings do not want');
    sessionStorage.setItem('granted', 'yes');
    return devices[0] ?? null;
  };
  Object.defineProperty(navigator, 'usb', { value: usb });
  const at = { device, target: 0 };
  Object.assign(window, { at });
  let torque = 0;
  let sent = performance.now();
  setInterval(() => {
    let text = '';
    for (; sent + 2 <= performance.now(); sent += 2) {
      torque += Math.max(-0.2, Math.min(0.2, at.target - torque));
      text += `${torque.toFixed(3)}\r\n`;
    }
    if (text !== '') device.write(new TextEncoder().encode(text));
  }, 10);
}

describe('a USB device of the page\'s computer', () => {
  const LINK = { kind: 'browser-usb', vendorId: '1209', productId: '0001' };
  const NAME = 'USB 1209:0001, serial number HF-U0001';
  const device = (page: Page, work: 'unplug' | 'replug' | 'babble' | 'stall'): Promise<void> => page.evaluate((name) => {
    void (window as unknown as { at: { device: UsbPort } }).at.device[name]();
  }, work);
  let browser: Browser;
  beforeAll(async () => {
    browser = await startBrowser();
  });
  afterAll(() => browser?.close());

  it('is connected by a button, read on after a halt and a packet that is too long, back after a re-plug and a reload, and let go by a button', async () => {
    const at = await station(LINK);
    const { page, complaints } = await pageOf(browser);
    onTestFinished(() => page.context().close());
    await page.addInitScript({ content: `${usbScript}\n(${simulateUsb.toString()})(simulatedUsb);` });
    await page.goto(at.url);
    await port(page).getByText('The transducer (USB 1209:0001) may be plugged in at this computer: connect it.').waitFor();
    expect(await page.locator('[data-channel="bench-a/1"] .trouble').innerText()).toBe('No page offers a USB device for this instrument. Open the page on the computer with the transducer and press "Connect USB device". (LINK_NOT_FOUND)');
    await port(page).getByRole('button', { name: 'Connect USB device' }).click();
    await port(page).getByText(`Reading ${NAME} at this computer. Keep this page open.`).waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples');
    await pull(at, page, 12.5, (target) => steer(page, target));

    await device(page, 'stall');
    await pull(at, page, 13, (target) => steer(page, target));
    await device(page, 'babble');
    await port(page).getByText('Read errors so far: 1.').waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples after the read error');
    await pull(at, page, 14, (target) => steer(page, target));

    await device(page, 'unplug');
    await port(page).getByText(`${NAME} was unplugged. It is connected again by itself when it is back.`).waitFor();
    await device(page, 'replug');
    await port(page).getByText(`Reading ${NAME} at this computer. Keep this page open.`).waitFor();

    await page.reload();
    await port(page).getByText(`Reading ${NAME} at this computer. Keep this page open.`).waitFor();
    await waitUntil(() => at.state() === 'streaming', 'samples after the reload');
    await pull(at, page, 16.25, (target) => steer(page, target));
    expect(at.stored.map(({ reading }) => reading.value)).toEqual([12.5, 13, 14, 16.25]);

    await port(page).getByRole('button', { name: 'Disconnect' }).click();
    await port(page).getByRole('button', { name: 'Connect USB device' }).waitFor();
    await waitUntil(() => at.state() === 'absent', 'the instrument to wait for a page');
    await page.reload();
    await port(page).getByText(/may be plugged in at this computer: connect it\.$/).waitFor();
    expect(complaints).toEqual([]);
  });

  it.each(['light', 'dark'] as const)('is shown accessibly and without spilling on a narrow screen, %s', async (scheme) => {
    const at = await station({ ...LINK, serialNumber: 'HF-U0001' });
    const { page } = await pageOf(browser, { width: 390, height: 844, scheme });
    onTestFinished(() => page.context().close());
    await page.addInitScript({ content: `${usbScript}\n(${simulateUsb.toString()})(simulatedUsb);` });
    await page.goto(at.url);
    for (const [words, next] of [
      [/^The transducer \(USB 1209:0001, serial number HF-U0001\) may be/, () => port(page).getByRole('button', { name: 'Connect USB device' }).click()],
      [/^Reading USB/, () => device(page, 'unplug')], [/was unplugged/, null],
    ] as const) {
      await port(page).getByText(words).waitFor();
      await expectSoundLook(page);
      await next?.();
    }
  });

  it('is asked of the browser\'s own WebUSB by the ids of the settings; choosing none is said', async () => {
    const at = await station({ ...LINK, serialNumber: 'HF-U0001' });
    const { page } = await pageOf(browser);
    onTestFinished(() => page.context().close());
    // Nobody can answer the browser's question in a test: what is asked is noted, and answered as by a person who closes the list.
    await page.addInitScript(() => {
      (navigator as unknown as { usb: { requestDevice: (options: unknown) => Promise<never> } }).usb.requestDevice = (options) => {
        Object.assign(window, { asked: options });
        return Promise.reject(new DOMException('No device selected.', 'NotFoundError'));
      };
    });
    await page.goto(at.url);
    await port(page).getByRole('button', { name: 'Connect USB device' }).click();
    await port(page).getByText('No device was chosen.').waitFor();
    const asked = await page.evaluate(() => (window as unknown as { asked: unknown }).asked);
    expect(asked).toEqual({ filters: [{ vendorId: 0x1209, productId: 1, serialNumber: 'HF-U0001' }] });
  });

  it('is not offered by a browser that cannot read USB: the page says what is needed', async () => {
    const at = await station(LINK);
    const { page } = await pageOf(browser);
    onTestFinished(() => page.context().close());
    await page.addInitScript(() => Object.defineProperty(navigator, 'usb', { value: undefined }));
    await page.goto(at.url);
    await port(page).getByText('This browser cannot read USB devices. Where the transducer is plugged in, open this page in a browser with WebUSB: Chrome, Edge or Opera.').waitFor();
    expect(await port(page).getByRole('button').count()).toBe(0);
  });
});
