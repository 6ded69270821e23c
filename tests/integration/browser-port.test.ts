/**
 * A transducer at another computer: a simulated Web Serial port, the module that a page runs, a real WebSocket, and the
 * whole daemon with its store.
 */
import { describe, expect, it, onTestFinished } from 'vitest';
import { startDaemon } from '../../daemon/app.ts';
import { createLog } from '../../daemon/log.ts';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { connect, forwardPort, type PortForwarder, type PortForwarderState, type TorsiondClient } from '../../shared/client/index.ts';
import { systemClock } from '../../shared/clock.ts';
import type { GatewayEvent } from '../../shared/wire/events.ts';
import { openTcpPort, openWebSerialPort, parseScenario, type SimulatedPort } from '../../simulator/index.ts';
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

interface Bench {
  readonly url: string;
  readonly client: TorsiondClient;
  readonly events: GatewayEvent[];
  token(scope: 'read' | 'operate'): string;
  state(instrument: string): string;
  forward(port: ReturnType<typeof openWebSerialPort>, options?: { takeOver?: boolean; token?: string; instrument?: string }): PortForwarder;
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
      const forwarder = forwardPort({ url: daemon.url, token: token('operate'), instrument: 'bench-a', port: port.port, ...options });
      onTestFinished(() => forwarder.close());
      return forwarder;
    },
  };
}

const live = (at: Bench, channel = 'bench-a/1'): number => at.of('channel.live').findLast((event) => event.channel === channel)?.value ?? 0;
const readings = (at: Bench, channel = 'bench-a/1'): number[] => at.of('reading.stored').filter(({ reading }) => reading.channel === channel).map(({ reading }) => reading.value);

async function streams(at: Bench, instrument = 'bench-a'): Promise<void> {
  await waitUntil(() => at.state(instrument) === 'streaming', `${instrument} to stream`, 10_000);
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
    await waitUntil(() => at.state('bench-a') === 'streaming', 'streaming again', 10_000);
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
    await waitUntil(() => taker.state.kind === 'open', 'the other port', 10_000);
    await waitUntil(() => at.state('bench-a') === 'streaming', 'streaming');
    expect(first.port.isOpen).toBe(false);
  });
});
