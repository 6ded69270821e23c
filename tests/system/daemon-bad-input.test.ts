/** Floods of nonsense into the real daemon: its memory stays bounded, its other instrument loses nothing, and it recovers. */
import { describe, expect, it, onTestFinished } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { connect, type ClientEvents, type TorsiondClient } from '../../shared/client/index.ts';
import { openPtyPort, type PtyPort } from '../../simulator/ports/pty-port.ts';
import { daemonProcess, type DaemonProcess } from '../helpers/daemon-process.ts';
import { pullOf, PULSE, pulseDevice } from '../helpers/pulse-device.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const GARBAGE_BYTES = 6e6;
const LINE_BYTES = 10e6;
/** Beyond what the daemon needs anyway: line guards, link buffers and the garbage collector's slack. */
const MEMORY_BOUND = 80e6;

interface Bench {
  readonly daemon: DaemonProcess;
  readonly client: TorsiondClient;
  readonly port: PtyPort;
  readonly states: ClientEvents['instrument.state'][];
  readonly ofBad: () => ClientEvents['reading.captured'][];
  readonly neighbour: ClientEvents['reading.stored'][];
  readonly neighbourCuts: () => number;
  metric(name: string): Promise<number>;
}

async function bench(): Promise<Bench> {
  const data = tempFolder();
  const port = await openPtyPort();
  onTestFinished(() => port.close());
  const good = await pulseDevice('good', 1);
  onTestFinished(() => good.close());
  const { token } = openTokenStore(data).create('read', 'test');
  const daemon = daemonProcess(data);
  const serverPort = await daemon.start({
    server: { port: 0 },
    instruments: [
      { id: 'bad', link: { kind: 'serial', path: port.address.path }, driver: { id: 'ascii-lines' }, silenceMs: 500,
        channels: [{ sampleRateHz: 1_000, zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-T60-0009 (invented)', capacity: 60 }, capture: { mode: 'peak' } }] },
      good.instrument,
    ],
  });
  const url = `http://127.0.0.1:${serverPort}`;
  const client = connect({ url, token, since: 0, liveHz: 10 });
  onTestFinished(() => client.close());
  const states: ClientEvents['instrument.state'][] = [];
  const captured: ClientEvents['reading.captured'][] = [];
  const neighbour: ClientEvents['reading.stored'][] = [];
  let cuts = 0;
  client.on('instrument.state', (event) => event.instrument.id === 'bad' && states.push(event));
  client.on('reading.captured', (event) => event.reading.channel === 'bad/1' && captured.push(event));
  client.on('reading.stored', (event) => event.reading.channel === 'good/1' && neighbour.push(event));
  client.on('cycle.interrupted', (event) => { if (event.channel === 'good/1') cuts++; });
  const hello = await client.connected();
  const isStreaming = (): boolean => (states.at(-1)?.instrument ?? hello.instruments[0]!).state === 'streaming';
  await waitUntil(isStreaming, 'the port to be open');
  await waitUntil(() => neighbour.length > 0, 'the neighbour to give readings');
  return {
    daemon, client, port, states, neighbour, ofBad: () => captured, neighbourCuts: () => cuts,
    metric: async (name) => {
      const text = await (await fetch(`${url}/metrics`, { headers: { authorization: `Bearer ${token}` } })).text();
      return Number(new RegExp(`^${name.replace(/[{}"]/g, '\\$&')} (.*)$`, 'm').exec(text)?.[1]);
    },
  };
}

/** Sends as fast as the port takes it, until so many bytes were sent. @returns the most memory the daemon held meanwhile */
async function pour({ port, daemon }: Bench, bytes: number, part: () => Uint8Array): Promise<number> {
  let most = 0;
  let sent = 0;
  await waitUntil(() => {
    while (port.backlogBytes < 128 * 1_024 && sent < bytes) {
      const next = part();
      port.write(next);
      sent += next.length;
    }
    most = Math.max(most, daemon.residentBytes());
    return sent >= bytes && port.backlogBytes === 0;
  }, 'everything to be sent');
  return most;
}

/** Rest, a pull of this height over 200 lines, rest. */
function pull(height: number): { text: string; peak: number } {
  const rest = '0.000\n'.repeat(300);
  const lines = Array.from({ length: 200 }, (_, i) => (height * Math.sin((Math.PI * (i + 0.5)) / 200)).toFixed(3));
  return { text: `\n${rest}${lines.join('\n')}\n${rest}`, peak: Math.max(...lines.map(Number)) };
}

/** Sends pulls until the daemon streams again and has read one. */
async function recovers(on: Bench, height: number): Promise<void> {
  const { text, peak } = pull(height);
  await waitUntil(async () => {
    on.port.write(Buffer.from(text));
    const had = on.ofBad().length;
    await waitUntil(() => on.ofBad().length > had, 'a reading', 700).catch(() => {});
    return on.ofBad().length > 0;
  }, 'the next good pull to be read');
  expect(new Set(on.ofBad().map(({ reading }) => reading.value))).toEqual(new Set([peak]));
  expect(on.states.at(-1)!.instrument).toMatchObject({ state: 'streaming' });
}

function expectNeighbourWell({ neighbour, neighbourCuts }: Bench, since: number): void {
  expect(neighbour.length).toBeGreaterThan(since);
  expect(neighbourCuts()).toBe(0);
  // Every pull of it became a reading: their heights follow each other, whatever else the daemon had to do.
  const pulls = neighbour.map(({ reading }) => pullOf(reading.value, 0));
  expect(pulls).toEqual(pulls.map((_, i) => (pulls[0]! + i) % PULSE.heights));
}

describe('the daemon under nonsense', () => {
  it('garbage without end as fast as the port goes', async () => {
    const on = await bench();
    const random = seeded(3);
    const garbage = Uint8Array.from({ length: 64 * 1_024 }, () => Math.floor(random() * 256));
    const before = { memory: on.daemon.residentBytes(), neighbour: on.neighbour.length };
    const faults = (): Promise<number> => on.metric('torsiond_instrument_frame_faults_total{instrument="bad"}');
    let most = 0;
    do most = Math.max(most, await pour(on, GARBAGE_BYTES, () => garbage.subarray(Math.floor(random() * 1_000))));
    while (!(await faults() > 1_000));
    expect(most - before.memory).toBeLessThan(MEMORY_BOUND);
    await waitUntil(() => on.states.some(({ instrument }) => /^FRAME_(UNREADABLE|TOO_LONG)$/.test(instrument.fault?.code ?? '')), 'the fault to be told');
    expect(on.ofBad()).toEqual([]);
    expectNeighbourWell(on, before.neighbour);
    await recovers(on, 31);
  });

  it('ten megabytes without a delimiter', async () => {
    const on = await bench();
    const digits = Buffer.from('4'.repeat(64 * 1_024));
    const before = { memory: on.daemon.residentBytes(), neighbour: on.neighbour.length };
    // What is sent while the gateway closes and opens a port that never says anything is not there to be counted.
    const discarded = (): Promise<number> => on.metric('torsiond_instrument_discarded_bytes_total{instrument="bad"}');
    let most = 0;
    while (!(await discarded() >= LINE_BYTES)) most = Math.max(most, await pour(on, LINE_BYTES / 5, () => digits));
    expect(most - before.memory).toBeLessThan(MEMORY_BOUND);
    await waitUntil(() => on.states.some(({ instrument }) => instrument.fault?.code === 'FRAME_TOO_LONG'), 'the fault to be told');
    expect(on.ofBad()).toEqual([]);
    expectNeighbourWell(on, before.neighbour);
    await recovers(on, 32);
  });
});
