/**
 * A recording that joins a running connection replays to the readings of the live run, bit for bit: a whole station on a
 * clock that stands still, recordings that begin at random moments, and the replay of each.
 */
import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { isDeepStrictEqual } from 'node:util';
import { describe, expect, it } from 'vitest';
import { createInstrumentSet } from '../../../daemon/devices/instrument-set.ts';
import { createLog } from '../../../daemon/log.ts';
import { createFileSink } from '../../../daemon/recording/byte-sink.ts';
import { RecordingHub, type RunningRecording } from '../../../daemon/recording/recording-hub.ts';
import { openReplayPipeline } from '../../../daemon/recording/replay-pipeline.ts';
import type { ReplayResult } from '../../../daemon/recording/replay-types.ts';
import { replayFile } from '../../../daemon/recording/replay.ts';
import { ChannelSettings, Settings } from '../../../daemon/settings/schema.ts';
import { Station } from '../../../daemon/station/station.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../../drivers/links/memory-link.ts';
import { findDriver } from '../../../drivers/registry.ts';
import type { InterruptedCycle, Reading } from '../../../shared/reading.ts';
import { HeldStore } from '../../helpers/held-store.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { seeded } from '../../helpers/seeded.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

type Told = Omit<Reading, 'id' | 'seq' | 'source' | 'traceId'> | Omit<InterruptedCycle, 'source'>;

interface Device {
  readonly name: string;
  readonly driver: Record<string, unknown>;
  readonly channels: readonly Record<string, unknown>[];
  readonly rateHz: number;
  /** Bytes of one sample of each channel. */
  encode(torques: readonly number[], index: number): Uint8Array;
}

const text = (line: string): Uint8Array => new TextEncoder().encode(line);
const transducer = { serialNumber: 'HF-T60-0001 (invented)', capacity: 60 };
const zero = { kind: 'automatic', quietMs: 400 };
const capture = (changes: Record<string, unknown>): Record<string, unknown> => ({ mode: 'peak', holdMs: 300, filter: { kind: 'butterworth', order: 2, cutoffHz: 60 }, ...changes });

const DEVICES: readonly Device[] = [
  {
    name: 'lines, rate measured, two channels', rateHz: 500,
    driver: { id: 'ascii-lines', options: { channels: [{ column: 1 }, { column: 2 }], separator: ';' } },
    channels: [{ transducer, zero, capture: capture({ mode: 'first-peak' }) }, { transducer, zero, capture: capture({ holdMs: 0 }) }],
    encode: (torques) => text(`${torques.map((torque) => torque.toFixed(3)).join(';')}\r\n`),
  },
  {
    name: 'lines that name their unit and identify first, rate declared', rateHz: 400,
    driver: { id: 'ascii-lines', options: { pattern: '^(?<value>-?[0-9.]+) (?<unit>Nm)$', commands: { identify: { send: 'WHO', answer: '^MODEL (?<model>.*)$', timeoutMs: 1_000, tries: 2 } } } },
    channels: [{ transducer, zero, sampleRateHz: 400, capture: capture({ filter: { kind: 'none' } }) }],
    encode: ([torque]) => text(`${torque!.toFixed(2)} Nm\n`),
  },
  {
    name: 'binary frames with a counter', rateHz: 1_000,
    driver: {
      id: 'framed-binary', options: {
        framing: { kind: 'sync', bytes: 'a55a', length: 10 }, byteOrder: 'little', checksum: { name: 'SUM-8', from: 2 },
        counter: { at: 2, type: 'u8' }, channels: [{ at: 3, type: 'i32', scale: 0.0001 }],
      },
    },
    channels: [{ transducer, zero, capture: capture({ mode: 'first-peak', holdMs: 150 }) }],
    encode: ([torque], index) => {
      const frame = Buffer.alloc(10);
      frame.set([0xa5, 0x5a, index & 0xff]);
      frame.writeInt32LE(Math.round(torque! * 10_000), 3);
      frame[9] = frame.subarray(2, 9).reduce((sum, byte) => sum + byte, 0) & 0xff;
      return frame;
    },
  },
];

function comparable(result: Reading | InterruptedCycle): Told {
  if (result.type === 'cycle.interrupted') {
    const { source: _source, ...rest } = result;
    return rest;
  }
  const { id: _id, seq: _seq, source: _source, traceId: _traceId, ...rest } = result;
  return rest;
}

/** Torque of one channel: pulls of random height, length and click between pauses of random length, on an offset that drifts. */
function torqueOf(random: () => number, rateHz: number): () => number {
  const noise = 0.004 + 0.004 * random();
  let index = 0;
  let from = Math.round(rateHz * (0.5 + random()));
  let length = 0;
  let peak = 0;
  const next = (): void => {
    length = Math.round(rateHz * (0.25 + 0.5 * random()));
    peak = (random() < 0.3 ? -1 : 1) * (12 + 40 * random());
  };
  next();
  return () => {
    const at = index++ - from;
    const rest = 0.05 + 0.00004 * index * (1_000 / rateHz) + noise * (random() + random() + random() - 1.5);
    if (at < 0) return rest;
    if (at >= length) {
      from = index + Math.round(rateHz * (random() < 0.3 ? 0.03 : 0.4 + 1.2 * random()));
      next();
      return rest;
    }
    const share = at / length;
    const click = share > 0.7 && share < 0.76 ? 0.85 : 1;
    return rest + peak * click * Math.min(1, share / 0.65, (1 - share) / 0.1);
  };
}

interface Joined {
  readonly path: string;
  /** Results that live had told when the recording began. */
  before: number;
  readonly joinAtMs: number;
  recording: RunningRecording | null;
}

interface LiveRun {
  readonly told: readonly { readonly told: Told; readonly atMs: number }[];
  readonly joined: readonly Joined[];
}

const LENGTH_MS = 24_000;
const T0 = Date.UTC(2026, 10, 25, 8);

async function liveRun(device: Device, seed: number, joins: number): Promise<LiveRun> {
  const folder = tempFolder();
  const clock = new ManualClock();
  const random = seeded(seed);
  let far: MemoryFarEnd | null = null;
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: [{ id: 'bench-a', link: { kind: 'serial', path: '/dev/made-up' }, driver: device.driver, channels: device.channels }],
  });
  const hub = new RecordingHub({ station: 'Hollin & Fenn', software: 'torsiond test', clock });
  const instruments = createInstrumentSet(settings.instruments, {
    clock, random: seeded(1), findDriver, portStamp: async () => 'a port',
    isTapped: (id) => hub.isTapped(id), onChunk: (instrument, chunk, epoch) => hub.chunk(instrument.id, chunk, epoch),
    openLink: () => async () => {
      const both = createMemoryLink(clock, '/dev/made-up');
      far = both.far;
      return both.link;
    },
  });
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const station = new Station({ settings, instruments, store: new HeldStore(), clock, log, version: '0.0.0-test', recordings: hub });
  const told: { told: Told; atMs: number }[] = [];
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') told.push({ told: comparable(event.reading), atMs: clock.monoMs() });
    if (event.type !== 'cycle.interrupted') return;
    const { at: _at, ...cycle } = event;
    told.push({ told: comparable(cycle), atMs: clock.monoMs() });
  });
  station.start();
  const startMs = clock.monoMs();
  const joined: Joined[] = Array.from({ length: joins }, (_, i) => ({
    path: join(folder, `${i}.mcap`), before: -1, joinAtMs: startMs + 600 + (LENGTH_MS - 6_000) * random(), recording: null,
  }));
  const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
  for (let i = 0; i < 40; i++) {
    clock.advance(10);
    await turn();
  }
  // A device whose clock is 0.4 % slow; its chunks are cut anywhere and come late by chance.
  const signals = device.channels.map(() => torqueOf(random, device.rateHz));
  const commands = [...COMMANDS];
  let sent = 0;
  let pending: Uint8Array = new Uint8Array(0);
  const originMs = clock.monoMs();
  far!.deliver('MODEL HF-T60\n');
  while (clock.monoMs() - startMs < LENGTH_MS) {
    clock.advance(Math.round((1 + 16 * random() ** 3) * 1e3) / 1e3);
    const due = Math.floor(((clock.monoMs() - originMs) / 1_004) * device.rateHz);
    const parts: Uint8Array[] = [pending];
    for (; sent < due; sent++) parts.push(device.encode(signals.map((signal) => signal()), sent));
    const bytes = Buffer.concat(parts);
    const cut = random() < 0.5 ? bytes.length : Math.floor(bytes.length * random());
    pending = bytes.subarray(cut);
    for (const one of joined) {
      if (one.before >= 0 || one.joinAtMs > clock.monoMs()) continue;
      one.before = told.length;
      one.recording = await station.record('bench-a', await createFileSink(one.path, clock));
    }
    if (cut > 0) far!.deliver(bytes.subarray(0, cut));
    if (commands[0] && clock.monoMs() - startMs > commands[0].atMs) void station.command({ id: 'x', channel: 'bench-a/1', ...commands.shift()!.command } as never).catch(() => {});
    await turn();
  }
  await Promise.all(joined.map((one) => one.recording!.stop()));
  const stopped = station.stop();
  for (let i = 0; i < 60; i++) {
    clock.advance(100);
    await turn();
  }
  await stopped;
  return { told, joined };
}

const COMMANDS = [
  { atMs: 5_000, command: { type: 'zero' } },
  { atMs: 8_000, command: { type: 'configure', unit: '[lbf_av].[ft_i]' } },
  { atMs: 11_000, command: { type: 'hold' } },
  { atMs: 13_000, command: { type: 'arm' } },
  { atMs: 14_000, command: { type: 'configure', mode: 'peak', holdMs: 100 } },
];

async function replayed(path: string): Promise<{ told: Told[]; faults: string[] }> {
  const options = {
    adapt: (recorded: ChannelSettings) => recorded, traceSettings: ChannelSettings.parse({ transducer, capture: { mode: 'peak' } }), asked: {}, blockSize: 256,
    findDriver, openPipeline: (channel: Parameters<typeof openReplayPipeline>[0]) => openReplayPipeline(channel, '0.0.0-test'), pace: () => null, stop: new AbortController().signal,
  };
  const results: ReplayResult[] = [];
  for await (const result of replayFile(path, options)) results.push(result);
  return {
    told: results.flatMap((result) => (result.kind === 'reading' ? [comparable(result.reading)] : result.kind === 'interrupted' ? [comparable(result.cycle)] : [])),
    faults: results.flatMap((result) => (result.kind === 'fault' ? [result.error.message] : [])),
  };
}

const startOf = (told: Told): number => Date.parse(told.startedAt);

describe.each(DEVICES)('recordings that join at 20 random moments: $name', (device) => {
  it('replay to the readings of the live run, bit for bit', async () => {
    let compared = 0;
    for (const seed of [1, 2]) {
      const { told, joined } = await liveRun(device, seed, 10);
      for (const one of joined) {
        const again = await replayed(one.path);
        expect(again.faults).toEqual([]);
        const joinedAt = T0 + one.joinAtMs - 1_000;
        // A cycle that ran when the recording began is told as already loaded, and one that ran when it ended as cut. All others are the same.
        const isLate = (result: Told): boolean => result.type === 'cycle.interrupted' && result.reason === 'already-loaded' && startOf(result) < joinedAt + 50;
        const isEnd = (result: Told): boolean => result.type === 'cycle.interrupted' && startOf(result) > T0 + LENGTH_MS - 2_000;
        const given = again.told.filter((result) => !isLate(result) && !isEnd(result));
        const live = told.slice(one.before).map((result) => result.told).filter((result) => !isLate(result) && !isEnd(result));
        const expected = live.filter((result) => startOf(result) >= joinedAt || given.some((other) => isDeepStrictEqual(other, result)));
        const byChannel = (list: readonly Told[]): Told[] => [1, 2].flatMap((place) => list.filter(({ channel }) => channel === `bench-a/${place}`));
        expect(byChannel(given)).toEqual(byChannel(expected));
        compared += given.length;
      }
    }
    expect(compared).toBeGreaterThan(100);
  });
});

describe('a damaged recording', () => {
  it('gives the readings before the damage, bit for bit, then says so; never another reading', async () => {
    const device = DEVICES[2]!;
    const { joined } = await liveRun(device, 3, 1);
    const { path } = joined[0]!;
    const whole = readFileSync(path);
    const all = await replayed(path);
    const readings = (told: readonly Told[]): Told[] => told.filter(({ type }) => type === 'reading');
    expect(readings(all.told).length).toBeGreaterThan(3);
    const records = recordsOf(whole);
    const chunks = records.filter(({ opcode }) => opcode === 0x06);
    expect(chunks.length).toBeGreaterThan(8);
    const random = seeded(11);
    const pick = <Item>(list: readonly Item[]): Item => list[Math.floor(random() * list.length)]!;
    const without = (from: number, to: number): Buffer => Buffer.concat([whole.subarray(0, from), whole.subarray(to)]);
    const overwritten = (at: number, bytes: Uint8Array): Buffer => {
      const copy = Buffer.from(whole);
      copy.set(bytes.subarray(0, copy.length - at), at);
      return copy;
    };
    /** `isTold`: it can change what is read. What only concerns the index need not be told. */
    const damages: { name: string; isTold: boolean; make(): Buffer }[] = [
      { name: 'cut anywhere', isTold: true, make: () => whole.subarray(0, 60 + Math.floor(random() * (whole.length - 61))) },
      { name: 'a flipped bit in a chunk', isTold: true, make: () => { const { from, to } = pick(chunks); const at = from + 46 + Math.floor(random() * (to - from - 46)); return overwritten(at, Uint8Array.of(whole[at]! ^ (1 << Math.floor(random() * 8)))); } },
      { name: 'a flipped bit anywhere', isTold: false, make: () => { const at = Math.floor(random() * whole.length); return overwritten(at, Uint8Array.of(whole[at]! ^ (1 << Math.floor(random() * 8)))); } },
      { name: 'a chunk under another opcode', isTold: true, make: () => overwritten(pick(chunks).from, Uint8Array.of(0x80 + Math.floor(random() * 0x70))) },
      { name: 'a chunk taken for an index', isTold: true, make: () => overwritten(pick(chunks).from, Uint8Array.of(0x07)) },
      { name: 'a block of zeros', isTold: false, make: () => overwritten(Math.floor(random() * whole.length), new Uint8Array(512)) },
      { name: 'a lost stretch', isTold: true, make: () => { const at = 60 + Math.floor(random() * (chunks.at(-1)!.to - 4_200)); return without(at, at + 4_096); } },
      { name: 'a lost chunk', isTold: true, make: () => { const { from, to } = pick(chunks); return without(from, to); } },
      { name: 'a chunk twice', isTold: true, make: () => { const { from, to } = pick(chunks); return Buffer.concat([whole.subarray(0, to), whole.subarray(from)]); } },
      { name: 'two chunks changed over', isTold: true, make: () => { const i = 1 + Math.floor(random() * (chunks.length - 2)); const [a, b] = [chunks[i]!, chunks[i + 1]!]; return Buffer.concat([whole.subarray(0, a.from), whole.subarray(b.from, b.to), whole.subarray(a.to, b.from), whole.subarray(a.from, a.to), whole.subarray(b.to)]); } },
    ];
    const damaged = join(tempFolder(), 'damaged.mcap');
    for (const { name, isTold, make } of damages) {
      for (let trial = 0; trial < 12; trial++) {
        writeFileSync(damaged, make());
        let told: Told[] = [];
        let faults: string[];
        try {
          ({ told, faults } = await replayed(damaged));
        } catch (thrown) {
          expect([name, (thrown as { code: string }).code]).toEqual([name, 'INPUT_FORMAT']);
          faults = ['refused'];
        }
        const given = readings(told);
        expect([name, given]).toEqual([name, readings(all.told).slice(0, given.length)]);
        if (isTold || given.length < readings(all.told).length) expect([name, trial, faults.length]).not.toEqual([name, trial, 0]);
      }
    }
  });
});

function recordsOf(bytes: Buffer): { opcode: number; from: number; to: number }[] {
  const records: { opcode: number; from: number; to: number }[] = [];
  for (let from = 8; from + 9 < bytes.length; from = records.at(-1)!.to) {
    records.push({ opcode: bytes[from]!, from, to: from + 9 + Number(bytes.readBigUInt64LE(from + 1)) });
  }
  return records;
}
