/**
 * Every driver on every link that suits it, with a simulated instrument that sees the same torque: the readings are equal,
 * whatever brought them, to the resolution of the format, and so are those of a recording of each. Torque stands still
 * at the top of each pull, so that it does not matter when an instrument looks. A machine with other work may be late for a
 * question, which costs a sample and cuts the cycle; so the pulls come again until every channel has read each.
 */
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { createLog } from '../../daemon/log.ts';
import { createRecorder, type ConnectionRecorder } from '../../daemon/recording/recorder.ts';
import { noteMark } from '../../daemon/recording/recording-format.ts';
import { openReplayPipeline } from '../../daemon/recording/replay-pipeline.ts';
import { replayFile } from '../../daemon/recording/replay.ts';
import { ChannelSettings, Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import type { ByteChunk, OpenLink } from '../../drivers/links/link.ts';
import { openReplayLink } from '../../drivers/links/replay-link.ts';
import { BUILT_IN_DRIVERS, findDriver } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import type { TorqueSource } from '../../simulator/index.ts';
import { HeldStore } from '../helpers/held-store.ts';
import { MATRIX_LINKS, MATRIX_RATE_HZ, instrumentsOn, type MatrixBench, type MatrixInstrument, type MatrixLink } from '../helpers/matrix-links.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** N.m */
const PEAKS = [12.3456, -7.2501, 41.0019];

/** Rest, so that every channel is ready; then for each peak, again and again: up in 0.2 s, 0.5 s still, down in 0.2 s, 0.3 s rest. */
function torqueAt(seconds: number): number {
  const t = seconds - 1.2;
  const pull = Math.floor(t / 1.2);
  if (t < 0) return 0;
  const at = t - pull * 1.2;
  return PEAKS[pull % PEAKS.length]! * Math.max(0, Math.min(1, at / 0.2, (0.9 - at) / 0.2));
}

class SameTorque implements TorqueSource {
  readonly isSaturated = false;
  readonly #bench: { isPulled: boolean };
  #samples = 0;

  constructor(bench: { isPulled: boolean }) {
    this.#bench = bench;
  }

  next(): number {
    if (!this.#bench.isPulled) return 0;
    this.#samples++;
    return torqueAt(this.#samples / MATRIX_RATE_HZ);
  }

  zero(): void {}
}

/** How far from the peak a value may be: half a step, and as much as a double loses on the way, N.m. */
function tolerance({ step }: MatrixInstrument): number {
  return step / 2 + 1e-9;
}

/** Which of the peaks a channel has not read yet. */
function missing(seen: readonly number[], instrument: MatrixInstrument): number[] {
  return PEAKS.filter((peak) => !seen.some((value) => Math.abs(value - peak) <= tolerance(instrument)));
}

/** Channel to its readings, N.m. */
type Readings = Map<string, number[]>;

function add(readings: Readings, channel: string, value: number): void {
  readings.set(channel, [...(readings.get(channel) ?? []), value]);
}

interface Live {
  readonly readings: Readings;
  /** What every instrument sent. */
  readonly chunks: ReadonlyMap<string, readonly ByteChunk[]>;
}

/** A station whose instruments all see the pulls and are recorded; resolves when the readings of each channel are there. */
async function runLive(instrumentsHere: readonly MatrixInstrument[], inputs: MatrixBench['inputs'], open: (id: string) => OpenLink | null, pull: () => void, recordTo: string | null): Promise<Live> {
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: inputs.map((input) => ({ ...input, channels: input.channels.map((channel) => ({ ...channel, zero: { kind: 'fixed' } })) })),
  });
  const byLink = new Map(settings.instruments.map((entry) => [entry.link, entry.id]));
  const recorder = recordTo === null ? null : await createRecorder(recordTo, { station: 'Hollin & Fenn', software: 'torsiond test', clock: systemClock });
  const connections = new Map<string, ConnectionRecorder>();
  const chunks = new Map<string, ByteChunk[]>();
  const instruments = createInstrumentSet(settings.instruments, {
    clock: systemClock, random: seeded(1), findDriver,
    openLink: (link) => open(byLink.get(link)!) ?? linkOpener(link),
    // Simulated devices are none of this machine's.
    deviceStamp: async () => 'there',
    onChunk: (instrument, { atMs, data }, epoch) => {
      const { id } = instrument;
      if (!chunks.has(id)) chunks.set(id, []);
      chunks.get(id)!.push({ atMs, data: data.slice() });
      const key = `${id} ${epoch}`;
      if (recorder && !connections.has(key)) connections.set(key, recorder.connection(instrument, epoch));
      connections.get(key)?.chunk({ atMs, data: data.slice() });
    },
    onNote: ({ id }, note, epoch) => recorder?.mark(noteMark(id, epoch, note)),
  });
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const station = new Station({ settings, instruments, store: new HeldStore(), clock: systemClock, log, version: '0.0.0-test' });
  onTestFinished(() => station.stop());
  const readings: Readings = new Map();
  const cut: string[] = [];
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') add(readings, event.reading.channel, event.reading.value);
    if (event.type === 'cycle.interrupted') cut.push(`${event.channel}: ${event.reason}`);
  });
  station.start();
  const isStreaming = (): boolean => instruments.instruments.every((instrument) => instrument.info().state === 'streaming');
  await waitUntil(isStreaming, 'streaming of every instrument').catch((error: unknown) => {
    throw new Error(instruments.instruments.map((instrument) => JSON.stringify(instrument.info())).join('\n'), { cause: error });
  });
  pull();
  const isComplete = (): boolean => instrumentsHere.every((one) => one.units.every((_, i) => missing(readings.get(`${one.name}/${i + 1}`) ?? [], one).length === 0));
  await waitUntil(isComplete, 'a reading of each peak from each channel').catch((error: unknown) => {
    throw new Error(`there are ${JSON.stringify([...readings])}; cut were ${cut.join(', ') || 'none'}`, { cause: error });
  });
  await station.stop();
  await recorder?.close();
  return { readings, chunks };
}

/** Readings of a recording, through the code of `torsiond replay`. */
async function replayed(path: string): Promise<Readings> {
  const readings: Readings = new Map();
  const results = replayFile(path, {
    adapt: (recorded) => recorded, findDriver, openPipeline: (channel) => openReplayPipeline(channel, '0.0.0-test'),
    traceSettings: ChannelSettings.parse({ transducer: { serialNumber: 'none', capacity: 1 }, capture: { mode: 'peak' } }),
    asked: {}, blockSize: 256, pace: () => null, stop: new AbortController().signal,
  });
  for await (const result of results) {
    if (result.kind === 'fault') throw result.error;
    if (result.kind === 'reading') add(readings, result.reading.channel, result.reading.value);
  }
  return readings;
}

/** The same chunks as if the first came now. */
function asOfNow(chunks: readonly ByteChunk[], nowMs: number): ByteChunk[] {
  const shiftMs = nowMs - chunks[0]!.atMs;
  return chunks.map(({ atMs, data }) => ({ atMs: atMs + shiftMs, data: data.slice() }));
}

function expectTheTorque(readings: Readings, instruments: readonly MatrixInstrument[]): void {
  for (const one of instruments) {
    one.units.forEach((_, i) => {
      const channel = `${one.name}/${i + 1}`;
      const seen = readings.get(channel) ?? [];
      expect(missing(seen, one), channel).toEqual([]);
      expect(seen.filter((value) => PEAKS.every((peak) => Math.abs(value - peak) > tolerance(one))), channel).toEqual([]);
    });
  }
}

async function runOn(link: MatrixLink, instruments: readonly MatrixInstrument[]): Promise<Live & { readonly inputs: MatrixBench['inputs']; readonly recording: string }> {
  const bench = { isPulled: false };
  const recording = join(tempFolder(), 'matrix.mcap');
  const { inputs, open } = await link.start(instruments, () => new SameTorque(bench));
  const live = await runLive(instruments, inputs, open, () => { bench.isPulled = true; }, recording);
  return { ...live, inputs, recording };
}

describe('the same torque through every driver', () => {
  it('all built-in drivers take part, each on more than one link', () => {
    for (const { id } of BUILT_IN_DRIVERS) {
      const links = MATRIX_LINKS.filter((link) => instrumentsOn(link).some((instrument) => instrument.driver === id));
      expect(links.length, id).toBeGreaterThan(1);
    }
  });

  it.each(MATRIX_LINKS)('on $name, and recorded from there', async (link) => {
    const instruments = instrumentsOn(link);
    const { readings, inputs, recording } = await runOn(link, instruments);
    expect(inputs.map((input) => input.driver.id)).toEqual(instruments.map((instrument) => instrument.driver));
    expectTheTorque(readings, instruments);
    // Not only to the resolution: the very values.
    expect(new Map([...(await replayed(recording))].sort())).toEqual(new Map([...readings].sort()));
  });

  it('on links that play what was received, where the instrument streams', async () => {
    const tcp = MATRIX_LINKS.find((link) => link.name === 'tcp')!;
    const instruments = instrumentsOn(tcp).filter(({ format }) => !/READ|scpi|modbus/.test(format));
    const { inputs, chunks } = await runOn(tcp, instruments);
    const open = (id: string): OpenLink => (context) => Promise.resolve(openReplayLink(asOfNow(chunks.get(id)!, context.clock.monoMs()), { speed: 1 }, context));
    expectTheTorque((await runLive(instruments, inputs, open, () => {}, null)).readings, instruments);
  });
});
