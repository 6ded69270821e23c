/**
 * A transducer at another computer: a simulated Web Serial port, the module that a page runs, a real WebSocket, and the
 * whole daemon with its store.
 */
import { describe, expect, it, onTestFinished } from 'vitest';
import { startDaemon } from '../../daemon/app.ts';
import { createLog } from '../../daemon/log.ts';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { connect, forwardPort, type PortForwarder, type PortForwarderState, type PortGiven, type TorsiondClient } from '../../shared/client/index.ts';
import { systemClock } from '../../shared/clock.ts';
import type { GatewayEvent } from '../../shared/wire/events.ts';
import { openTcpPort, openUsbPort, openWebSerialPort, parseScenario, UsbBus, type SimulatedPort, type UsbPort, type UsbPortOptions } from '../../simulator/index.ts';
import { makeInstrument } from '../../simulator/instruments/make-instrument.ts';
import { shownScale } from '../../simulator/instruments/shown.ts';
import { SteeredTorque } from '../helpers/steered-torque.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const RATE_HZ = 1_000;
const PLAN = parseScenario(`
title: A bench and a laptop of Hollin & Fenn (invented)
instruments:
  - { id: lines, title: Lines, sampleRateHz: ${RATE_HZ}, clockErrorPpm: 0, format: { decimals: 3 }, channels: [{ title: A, unit: N.m, transducer: { serialNumber: HF-T60-0041, capacityNm: 60 }, tool: { kind: none }, suggested: { mode: peak, target: 40, low: 1, high: 50 } }] }
`, 'test.yaml').instruments[0]!;

/** Switches an instrument on at the port. */
function plugIn(port: SimulatedPort): SteeredTorque {
  const source = new SteeredTorque();
  const instrument = makeInstrument(PLAN, { port, clock: systemClock, rateHz: RATE_HZ, channels: [{ source, shown: shownScale(PLAN.channels[0]!) }] });
  instrument.switchOn();
  onTestFinished(async () => {
    instrument.switchOff();
    await port.close();
  });
  return source;
}

/** A USB device at the page's computer. */
interface UsbDevice {
  readonly bus: UsbBus;
  readonly usb: UsbPort;
}

function usbDevice(options: Omit<UsbPortOptions, 'bus'> = {}): UsbDevice {
  const bus = new UsbBus();
  return { bus, usb: openUsbPort({ bus, ...options }) };
}

const given = (port: ReturnType<typeof openWebSerialPort> | UsbDevice): PortGiven => ('bus' in port ? { usb: { device: port.usb.device!, bus: port.bus } } : { port: port.port });

interface Bench {
  readonly url: string;
  readonly client: TorsiondClient;
  readonly events: GatewayEvent[];
  token(scope: 'read' | 'operate'): string;
  state(instrument: string): string;
  forward(port: ReturnType<typeof openWebSerialPort> | UsbDevice, options?: { takeOver?: boolean; token?: string; instrument?: string }): PortForwarder;
  of<Type extends GatewayEvent['type']>(type: Type): Extract<GatewayEvent, { type: Type }>[];
}

async function bench(...links: readonly object[]): Promise<Bench> {
  const dataDirectory = tempFolder();
  const tokens = openTokenStore(dataDirectory);
  const settings = Settings.parse({
    station: 'Hollin & Fenn', server: { port: 0 },
    instruments: links.map((link, i) => ({
      id: `bench-${'ab'[i]}`, link, driver: { id: 'ascii-lines' },
      channels: [{ sampleRateHz: RATE_HZ, zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-T60-0041', capacity: 60 }, capture: { mode: 'peak' } }],
    })),
  });
  const daemon = await startDaemon({ settings, dataDirectory, log: createLog({ isTerminal: false, level: 'error', write: () => {} }) });
  const made = new Map<string, string>();
  const token = (scope: 'read' | 'operate'): string => {
    if (!made.has(scope)) made.set(scope, tokens.create(scope, scope).token);
    return made.get(scope)!;
  };
  const client = connect({ url: daemon.url, token: token('read'), liveHz: 50 });
  onTestFinished(async () => {
    client.close();
    await daemon.close();
  });
  const events: GatewayEvent[] = [];
  for (const kind of ['instrument.state', 'channel.live', 'cycle.interrupted', 'reading.stored'] as const) client.on(kind, (event) => events.push(event));
  const hello = await client.connected();
  const of = <Type extends GatewayEvent['type']>(type: Type): Extract<GatewayEvent, { type: Type }>[] => events.filter((event): event is Extract<GatewayEvent, { type: Type }> => event.type === type);
  return {
    url: daemon.url, client, events, token, of,
    state: (id) => of('instrument.state').findLast(({ instrument }) => instrument.id === id)?.instrument.state ?? hello.instruments.find((info) => info.id === id)!.state,
    forward: (port, options = {}) => {
      const forwarder = forwardPort({ url: daemon.url, token: token('operate'), instrument: 'bench-a', ...given(port), ...options });
      onTestFinished(() => forwarder.close());
      return forwarder;
    },
  };
}

const live = (at: Bench, channel = 'bench-a/1'): number => at.of('channel.live').findLast((event) => event.channel === channel)?.value ?? 0;
const readings = (at: Bench, channel = 'bench-a/1'): number[] => at.of('reading.stored').filter(({ reading }) => reading.channel === channel).map(({ reading }) => reading.value);

async function streams(at: Bench, instrument = 'bench-a'): Promise<void> {
  await waitUntil(() => at.state(instrument) === 'streaming', `${instrument} to stream`);
  await waitUntil(() => at.of('channel.live').some(({ channel }) => channel === `${instrument}/1`), 'live values');
}

/** Up, and down again when the top is seen. */
async function pull(at: Bench, sources: readonly SteeredTorque[], top: number, channels: readonly string[] = ['bench-a/1']): Promise<void> {
  const before = channels.map((channel) => readings(at, channel).length);
  for (const source of sources) source.target = top;
  await waitUntil(() => channels.every((channel) => Math.abs(live(at, channel) - top) < 0.01), `${top} N.m`);
  for (const source of sources) source.target = 0;
  await waitUntil(() => channels.every((channel, i) => readings(at, channel).length === before[i]! + 1), 'the stored reading');
}

const kinds = (forwarder: PortForwarder): PortForwarderState['kind'][] => {
  const seen: PortForwarderState['kind'][] = [];
  forwarder.onState(({ kind }) => seen.push(kind));
  return seen;
};

describe('a transducer at another computer', () => {
  it('gives the readings that the same torque gives through TCP', async () => {
    const [port, tcp] = [openWebSerialPort({ usbVendorId: 0x1209, usbProductId: 1 }), await openTcpPort()];
    const sources = [plugIn(port), plugIn(tcp)];
    const at = await bench({ kind: 'browser', baudRate: 57_600, parity: 'even', dataBits: 7, dtr: true }, tcp.address);
    const forwarder = at.forward(port);
    const seen = kinds(forwarder);
    await Promise.all([streams(at, 'bench-a'), streams(at, 'bench-b')]);
    expect(port.port.options).toMatchObject({ baudRate: 57_600, parity: 'even', dataBits: 7, stopBits: 1, flowControl: 'none' });
    expect(port.signals).toMatchObject({ dataTerminalReady: true, requestToSend: false });
    const both = ['bench-a/1', 'bench-b/1'];
    for (const top of [12.345, -31.5, 44.001]) await pull(at, sources, top, both);
    expect(readings(at)).toEqual([12.345, -31.5, 44.001]);
    expect(readings(at)).toEqual(readings(at, 'bench-b/1'));
    expect(at.of('cycle.interrupted')).toEqual([]);
    expect(seen).toEqual(['connecting', 'offered', 'open']);
    const { instrument } = at.of('instrument.state').findLast((event) => event.instrument.id === 'bench-a')!;
    expect(instrument).toMatchObject({ link: 'USB 1209:0001 (operate)', linkKind: 'browser', epoch: 1 });
  });

  it.each(['BufferOverrunError', 'BreakError', 'FramingError', 'ParityError'] as const)('a %s under torque is a gap: the cut cycle is not judged, the port stays open, and the next pull counts', async (name) => {
    const port = openWebSerialPort();
    const source = plugIn(port);
    const openings: boolean[] = [];
    port.onOpen((isOpen) => openings.push(isOpen));
    const at = await bench({ kind: 'browser' });
    const forwarder = at.forward(port);
    await streams(at);
    await pull(at, [source], 20);
    source.target = 35;
    await waitUntil(() => live(at) > 34, 'torque');
    port.fail(name);
    await waitUntil(() => at.of('cycle.interrupted').length === 1, 'the cut cycle');
    expect(at.of('cycle.interrupted')[0]).toMatchObject({ reason: 'gap', channel: 'bench-a/1' });
    const cut = at.of('instrument.state').find(({ instrument }) => instrument.fault?.code === 'LINK_CUT');
    expect(cut?.instrument.fault?.message).toContain(name);
    source.target = 0;
    await waitUntil(() => at.of('instrument.state').at(-1)?.instrument.epoch === 2 && at.state('bench-a') === 'streaming', 'streaming again');
    await waitUntil(() => Math.abs(live(at)) < 0.01, 'rest');
    await pull(at, [source], 25);
    expect(readings(at)).toEqual([20, 25]);
    expect(openings).toEqual([true]);
    expect(forwarder.counters).toMatchObject({ cuts: 1, connections: 1 });
  });

  it('waits for a page and says so, and ends with the page at once', async () => {
    const port = openWebSerialPort();
    const source = plugIn(port);
    const at = await bench({ kind: 'browser' });
    expect(at.state('bench-a')).toBe('absent');
    expect(at.client.hello!.instruments[0]!.fault).toMatchObject({ code: 'LINK_NOT_FOUND', hint: 'Open the page on the computer with the transducer and press "Connect port".' });
    const forwarder = at.forward(port);
    await streams(at);
    source.target = 30;
    await waitUntil(() => live(at) > 29, 'torque');
    await forwarder.close();
    expect(port.port.isOpen).toBe(false);
    await waitUntil(() => at.state('bench-a') === 'absent', 'the instrument to wait again');
    expect(at.of('cycle.interrupted')).toMatchObject([{ reason: 'gap' }]);
    expect(readings(at)).toEqual([]);
  });

  it('an unplugged transducer ends the offer, and can be offered again', async () => {
    const port = openWebSerialPort();
    plugIn(port);
    const at = await bench({ kind: 'browser' });
    const first = at.forward(port);
    await streams(at);
    await port.unplug();
    expect(first.state).toEqual({ kind: 'ended', reason: 'unplugged' });
    await waitUntil(() => at.state('bench-a') === 'absent', 'the instrument to wait again');
    expect(at.of('instrument.state').some(({ instrument }) => instrument.fault?.message.includes('the device was unplugged'))).toBe(true);
    await port.replug();
    at.forward(port);
    await waitUntil(() => at.state('bench-a') === 'streaming', 'streaming again');
  });

  it('one page serves an instrument: a second is refused in words, or takes over when it says so', async () => {
    const [first, second] = [openWebSerialPort(), openWebSerialPort({ usbVendorId: 0x1209 })];
    plugIn(first);
    plugIn(second);
    const at = await bench({ kind: 'browser' });
    const before = at.forward(first);
    await streams(at);
    const late = at.forward(second);
    await waitUntil(() => late.state.kind === 'ended', 'the refusal');
    expect(late.state).toMatchObject({ reason: 'refused', error: { code: 'LINK_BUSY', message: '"bench-a" has a port already: serial port (operate)' } });
    expect(before.state.kind).toBe('open');
    const taker = at.forward(second, { takeOver: true });
    await waitUntil(() => before.state.kind === 'ended', 'the end of the page before');
    expect(before.state).toMatchObject({ reason: 'refused', error: { message: 'another page took its place' } });
    await waitUntil(() => taker.state.kind === 'open', 'the other port');
    await waitUntil(() => at.state('bench-a') === 'streaming', 'streaming');
    expect(first.port.isOpen).toBe(false);
  });
});

describe('a USB transducer at another computer', () => {
  const LINK = { kind: 'browser-usb', vendorId: '1209', productId: '0001' };

  it('gives the readings that the same torque gives through TCP, over a bridge chip\'s packets too', async () => {
    const tcp = await openTcpPort();
    const device = usbDevice({ packetHeader: Uint8Array.of(1, 0x60), interfaceNumber: 2, inEndpoint: 3, otherInterfaces: [{ interfaceNumber: 0, interfaceClass: 3, endpoints: [] }] });
    const sources = [plugIn(device.usb), plugIn(tcp)];
    const at = await bench({ ...LINK, serialNumber: 'HF-U0001', interface: 2, inEndpoint: 3, packetHeaderBytes: 2 }, tcp.address);
    const hello = at.client.hello!.instruments[0]!;
    expect(hello).toMatchObject({ linkKind: 'browser-usb', pageUsb: { vendorId: 0x1209, productId: 1, serialNumber: 'HF-U0001' } });
    expect(hello.fault).toMatchObject({ code: 'LINK_NOT_FOUND', hint: 'Open the page on the computer with the transducer and press "Connect USB device".' });
    const forwarder = at.forward(device);
    const seen = kinds(forwarder);
    await Promise.all([streams(at, 'bench-a'), streams(at, 'bench-b')]);
    for (const top of [12.345, -31.5, 44.001]) await pull(at, sources, top, ['bench-a/1', 'bench-b/1']);
    expect(readings(at)).toEqual([12.345, -31.5, 44.001]);
    expect(readings(at)).toEqual(readings(at, 'bench-b/1'));
    expect(at.of('cycle.interrupted')).toEqual([]);
    expect(seen).toEqual(['connecting', 'offered', 'open']);
    expect(at.of('instrument.state').findLast((event) => event.instrument.id === 'bench-a')!.instrument.link).toBe('USB 1209:0001, serial number HF-U0001 (operate)');
    await forwarder.close();
    expect([device.usb.device!.opened, device.usb.pendingReads, device.bus.listenerCount]).toEqual([false, 0, 0]);
  });

  it('a packet that is too long (babble) under torque is a gap: the cut cycle is not judged, the device stays open, and the next pull counts', async () => {
    const device = usbDevice();
    const source = plugIn(device.usb);
    const at = await bench(LINK);
    const forwarder = at.forward(device);
    await streams(at);
    await pull(at, [source], 20);
    source.target = 35;
    await waitUntil(() => live(at) > 34, 'torque');
    device.usb.babble();
    await waitUntil(() => at.of('cycle.interrupted').length === 1, 'the cut cycle');
    expect(at.of('cycle.interrupted')[0]).toMatchObject({ reason: 'gap', channel: 'bench-a/1' });
    const cut = at.of('instrument.state').find(({ instrument }) => instrument.fault?.code === 'LINK_CUT');
    expect(cut?.instrument.fault?.message).toBe('the device sent more than a packet holds, and bytes are missing (babble)');
    source.target = 0;
    await waitUntil(() => at.of('instrument.state').at(-1)?.instrument.epoch === 2 && at.state('bench-a') === 'streaming', 'streaming again');
    await waitUntil(() => Math.abs(live(at)) < 0.01, 'rest');
    await pull(at, [source], 25);
    expect(readings(at)).toEqual([20, 25]);
    expect(forwarder.counters).toMatchObject({ cuts: 1, connections: 1 });
    expect(device.usb.device!.opened).toBe(true);
  });

  it('a halt is cleared and counted, and the device read on; halts without an end lose it, and it is opened again', async () => {
    const device = usbDevice();
    const source = plugIn(device.usb);
    const at = await bench(LINK);
    const forwarder = at.forward(device);
    await streams(at);
    device.usb.stall(2);
    await waitUntil(() => forwarder.counters.stalls === 2, 'two stalls');
    await pull(at, [source], 20);
    expect(at.of('instrument.state').findLast((event) => event.instrument.id === 'bench-a')!.instrument.epoch).toBe(1);
    device.usb.stall(4);
    await waitUntil(() => at.of('instrument.state').some(({ instrument }) => instrument.fault?.message.includes('the device stalled 4 times in a row')), 'the loss');
    await waitUntil(() => at.of('instrument.state').at(-1)?.instrument.epoch === 2 && at.state('bench-a') === 'streaming', 'streaming again');
    await waitUntil(() => Math.abs(live(at)) < 0.01, 'rest');
    await pull(at, [source], 25);
    expect(readings(at)).toEqual([20, 25]);
  });

  it('a transfer that fails loses the link and the device is opened again; an unplugged one ends the offer and can be offered again', async () => {
    const device = usbDevice();
    plugIn(device.usb);
    const at = await bench(LINK);
    const first = at.forward(device);
    await streams(at);
    device.usb.failTransfer();
    await waitUntil(() => at.of('instrument.state').at(-1)?.instrument.epoch === 2 && at.state('bench-a') === 'streaming', 'streaming again');
    expect(at.of('instrument.state').some(({ instrument }) => instrument.fault?.message === 'the port ended: reading the device failed: A transfer error has occurred.')).toBe(true);
    await device.usb.unplug();
    expect(first.state).toEqual({ kind: 'ended', reason: 'unplugged' });
    await waitUntil(() => at.state('bench-a') === 'absent', 'the instrument to wait again');
    await device.usb.replug();
    at.forward(device);
    await waitUntil(() => at.state('bench-a') === 'streaming', 'streaming again');
  });

  it('a serial port in its place, another device, and settings that do not fit the device are refused in words', async () => {
    const at = await bench(LINK, { ...LINK, interface: 7 });
    const serial = at.forward(openWebSerialPort());
    await waitUntil(() => serial.state.kind === 'ended', 'the refusal');
    expect(serial.state).toMatchObject({ reason: 'refused', error: { code: 'LINK_SETTINGS', message: '"bench-a" is read from a USB device, and this page offers a serial port' } });
    at.forward(usbDevice({ productId: 2 }));
    const fault = (id: string): unknown => at.of('instrument.state').findLast(({ instrument }) => instrument.id === id)?.instrument.fault;
    await waitUntil(() => at.state('bench-a') === 'needs-attention', 'the wrong device to be told');
    expect(fault('bench-a')).toMatchObject({ code: 'LINK_SETTINGS', message: expect.stringContaining('the page has USB 1209:0002, serial number HF-U0001, and the settings want USB 1209:0001') as string });
    const device = usbDevice();
    at.forward(device, { instrument: 'bench-b' });
    await waitUntil(() => at.state('bench-b') === 'needs-attention', 'the wrong settings to be told');
    expect(fault('bench-b')).toMatchObject({ code: 'LINK_SETTINGS', message: expect.stringContaining('there is no interface 7; the device has interface 0: bulk in 1 (64 bytes), bulk out 2 (64 bytes)') as string });
    expect(device.usb.device!.opened).toBe(false);
  });

  it.each([
    ['open', 'SecurityError', 'LINK_PERMISSION'], ['open', 'NetworkError', 'LINK_OPEN_FAILED'], ['claim', 'NetworkError', 'LINK_OPEN_FAILED'],
  ] as const)('a browser that refuses to %s it with %s is told as %s', async (step, name, code) => {
    const device = usbDevice();
    device.usb.refuse(step, new DOMException('Refused here.', name));
    const at = await bench(LINK);
    at.forward(device);
    await waitUntil(() => at.of('instrument.state').some(({ instrument }) => instrument.fault?.code === code), 'the refusal');
    const { fault } = at.of('instrument.state').find(({ instrument }) => instrument.fault?.code === code)!.instrument;
    expect(fault!.message).toBe(`the browser could not open the USB device: ${step === 'open' ? 'the device' : 'interface 0'} cannot be ${step === 'open' ? 'opened' : 'had'}: Refused here.`);
    expect(device.usb.device!.opened).toBe(false);
  });
});
