/**
 * Every driver on every link that suits it, with a simulated instrument that sees the same torque: the readings are equal,
 * whatever brought them, to the resolution of the format. Torque stands still at the top of each pull, so that it does not
 * matter when an instrument looks. Replayed are the instruments that stream.
 */
import { describe, expect, it, onTestFinished } from 'vitest';
import { scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { createLog } from '../../daemon/log.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import type { ByteChunk, OpenLink } from '../../drivers/links/link.ts';
import { openReplayLink } from '../../drivers/links/replay-link.ts';
import { BUILT_IN_DRIVERS, findDriver } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import { parseScenario, startScenario, type TorqueSource } from '../../simulator/index.ts';
import { makeInstrument } from '../../simulator/instruments/make-instrument.ts';
import { shownScale } from '../../simulator/instruments/shown.ts';
import { HeldStore } from '../helpers/held-store.ts';
import { memoryBenchPort } from '../helpers/memory-bench-port.ts';
import { seeded } from '../helpers/seeded.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const RATE_HZ = 500;
const PEAKS = [12.3456, -7.2501, 41.0019];

/** Rest, so that every channel is ready; then for each peak: up in 0.2 s, 0.5 s still, down in 0.2 s, 0.3 s rest. */
function torqueAt(seconds: number): number {
  const t = seconds - 1.2;
  const pull = Math.floor(t / 1.2);
  const peak = PEAKS[pull];
  if (t < 0 || peak === undefined) return 0;
  const at = t - pull * 1.2;
  return peak * Math.max(0, Math.min(1, at / 0.2, (0.9 - at) / 0.2));
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
    return torqueAt(this.#samples / RATE_HZ);
  }

  zero(): void {}
}

const BRIDGE = 'bridge: { sensitivity: 2.0013, zeroBalance: 0.0125 }';
/** Name, what is said of the instrument, units of its channels, one step of its values in N.m. */
const INSTRUMENTS: [name: string, format: string, units: string[], step: number][] = [
  ['lines', 'format: { decimals: 4 }', ['N.m'], 1e-4],
  ['lines-two', "format: { columns: [channel-1, channel-2, status], decimals: 3, decimalSign: ',' }", ['N.m', 'cN.m'], 1e-3],
  ['lines-asked', 'startsByItself: false, commands: { read: READ }, format: { decimals: 3 }', ['N.m'], 1e-3],
  ['lines-mvv', 'format: { decimals: 6 }', ['mV/V'], 3e-5],
  ['sync', 'kind: frames, frames: { type: i24, scale: 0.0001 }', ['N.m'], 1e-4],
  ['cobs-eight', 'kind: frames, frames: { framing: cobs, type: f32, byteOrder: big, counter: u16, status: true, checksum: CRC-32/ISO-HDLC }', new Array<string>(8).fill('N.m'), 4e-6],
  ['slip-turns', 'kind: frames, frames: { framing: slip, channels: interleaved, type: i32, scale: 0.00001 }', ['N.m', '[lbf_av].[ft_i]'], 2e-5],
  ['counts', 'kind: frames, frames: { type: i24, scale: 1, byteOrder: big, checksum: CRC-16/XMODEM }', ['{count}', '{count}'], 2e-5],
  ['scpi', 'kind: scpi', ['N.m', 'N.m'], 1e-6],
  ['rtu', 'kind: modbus, modbus: { registers: [{ unit: 1, address: 4, order: CDAB }, { unit: 7, kind: input, address: 0, type: i32, order: DCBA, scale: 0.001 }] }', ['N.m', 'N.m'], 1e-3],
  ['mbap', 'kind: modbus, modbus: { transport: tcp, registers: [{ address: 9, type: i16, order: BADC, scale: 0.01 }] }', ['N.m'], 1e-2],
];

function scenarioText(port: 'pty' | 'tcp', names: readonly (typeof INSTRUMENTS)[number][]): string {
  const channel = (unit: string): string => `{ title: A, unit: '${unit}', transducer: { serialNumber: HF-T60-0001, capacityNm: 60, ${BRIDGE} }, tool: { kind: none }, suggested: { mode: peak, target: 40, low: 1, high: 50 } }`;
  return `title: The same torque (invented)\ninstruments:\n${names.map(([name, format, units]) =>
    `  - { id: ${name}, title: ${name}, port: ${port}, sampleRateHz: ${RATE_HZ}, ${format}, channels: [${units.map(channel).join(', ')}] }\n`).join('')}`;
}

type InstrumentInput = { id: string; link: object; driver: { id: string }; channels: object[] };

/** A station whose instruments all see the pulls; resolves with the readings of each channel once all are there. */
async function readingsOf(inputs: readonly InstrumentInput[], open: (id: string) => OpenLink | null, pull: () => void, kept?: Map<string, ByteChunk[]>): Promise<Map<string, number[]>> {
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: inputs.map((input) => ({ ...input, channels: input.channels.map((channel) => ({ ...channel, zero: { kind: 'fixed' } })) })),
  });
  const byLink = new Map(settings.instruments.map((entry) => [entry.link, entry.id]));
  const instruments = createInstrumentSet(settings.instruments, {
    clock: systemClock, random: seeded(1), findDriver,
    openLink: (link) => open(byLink.get(link)!) ?? linkOpener(link),
    onChunk: ({ id }, chunk) => kept?.set(id, [...(kept.get(id) ?? []), { atMs: chunk.atMs, data: chunk.data.slice() }]),
  });
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const station = new Station({ settings, instruments, store: new HeldStore(), clock: systemClock, log, version: '0.0.0-test' });
  onTestFinished(() => station.stop());
  const readings = new Map<string, number[]>();
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') readings.set(event.reading.channel, [...(readings.get(event.reading.channel) ?? []), event.reading.value]);
  });
  station.start();
  const channels = settings.instruments.flatMap((entry) => entry.channels.map((_, i) => `${entry.id}/${i + 1}`));
  const isStreaming = (): boolean => instruments.instruments.every((instrument) => instrument.info().state === 'streaming');
  await waitUntil(isStreaming, 'streaming of every instrument');
  pull();
  const isComplete = (): boolean => channels.every((channel) => (readings.get(channel)?.length ?? 0) >= PEAKS.length);
  await waitUntil(isComplete, 'three readings of each channel', 12_000).catch((error: unknown) => {
    throw new Error(`there are ${JSON.stringify([...readings])}`, { cause: error });
  });
  return readings;
}

/** The same chunks as if the first came now. */
function asOfNow(chunks: readonly ByteChunk[], nowMs: number): ByteChunk[] {
  const shiftMs = nowMs - chunks[0]!.atMs;
  return chunks.map(({ atMs, data }) => ({ atMs: atMs + shiftMs, data: data.slice() }));
}

function expectTheTorque(readings: ReadonlyMap<string, number[]>, names: readonly (typeof INSTRUMENTS)[number][]): void {
  for (const [name, , units, step] of names) {
    units.forEach((_, i) => {
      const seen = readings.get(`${name}/${i + 1}`)!;
      expect(seen.length, name).toBe(PEAKS.length);
      // Half a step, and as much as a double loses on the way.
      seen.forEach((value, pull) => expect(Math.abs(value - PEAKS[pull]!), `${name}/${i + 1}: ${value} for ${PEAKS[pull]!}`).toBeLessThanOrEqual(step / 2 + 1e-9));
    });
  }
}

describe('the same torque through every driver', () => {
  it('all built-in drivers take part', () => {
    const bench = new Set(['ascii-lines', 'framed-binary', 'raw-counts', 'scpi', 'modbus-rtu', 'modbus-tcp']);
    expect(BUILT_IN_DRIVERS.map((driver) => driver.id).filter((id) => !bench.has(id))).toEqual([]);
  });

  it.each(['pty', 'tcp'] as const)('on %s, and from TCP replayed', async (kind) => {
    // Modbus TCP is for networks. Asked 100 times a second through a pseudo terminal, one
    // pull in some was not captured on a busy machine, and why is not known yet: those are shown over TCP and in memory.
    const names = INSTRUMENTS.filter(([name]) => kind === 'tcp' || !['mbap', 'lines-asked', 'scpi'].includes(name));
    const bench = { isPulled: false };
    const run = await startScenario(parseScenario(scenarioText(kind, names), 'matrix.yaml'), { torque: () => new SameTorque(bench) });
    onTestFinished(() => run.stop());
    const inputs = scenarioSettingsInput(run).instruments as InstrumentInput[];
    const kept = new Map<string, ByteChunk[]>();
    expectTheTorque(await readingsOf(inputs, () => null, () => { bench.isPulled = true; }, kept), names);

    if (kind === 'pty') return;
    const streaming = names.filter(([, format]) => !/READ|scpi|modbus/.test(format));
    const replayed = inputs.filter((input) => streaming.some(([name]) => name === input.id));
    const again = await readingsOf(replayed, (id) => (context) => Promise.resolve(openReplayLink(asOfNow(kept.get(id)!, context.clock.monoMs()), { speed: 1 }, context)), () => {});
    expectTheTorque(again, streaming);
  }, 40_000);

  it('on links in memory', async () => {
    const scenario = parseScenario(scenarioText('tcp', INSTRUMENTS), 'matrix.yaml');
    const bench = { isPulled: false };
    // Only for the settings that belong to the instruments.
    const run = await startScenario(scenario, { torque: () => new SameTorque({ isPulled: false }) });
    const inputs = scenarioSettingsInput(run).instruments as InstrumentInput[];
    await run.stop();
    const opens = new Map<string, OpenLink>();
    for (const plan of scenario.instruments) {
      const { port, open } = memoryBenchPort();
      opens.set(plan.id, open);
      const instrument = makeInstrument(plan, {
        port, clock: systemClock, rateHz: plan.sampleRateHz, channels: plan.channels.map((channel) => ({ source: new SameTorque(bench), shown: shownScale(channel) })),
      });
      instrument.switchOn();
      onTestFinished(() => instrument.switchOff());
    }
    expectTheTorque(await readingsOf(inputs, (id) => opens.get(id)!, () => { bench.isPulled = true; }), INSTRUMENTS);
  }, 40_000);
});
