/**
 * Every instrument of the simulator on a line with every fault that suits it, through driver, sample clock and capture:
 * a reading is the torque that was there, or there is none. The clock is moved by hand, so each run is the same.
 */
import { describe, expect, it } from 'vitest';
import { scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { createLog } from '../../daemon/log.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import { findDriver } from '../../drivers/registry.ts';
import { FaultPlan, FaultyPort, startScenario, type FaultCounters, type TorqueSource } from '../../simulator/index.ts';
import { endOfMessage, makeInstrument } from '../../simulator/instruments/make-instrument.ts';
import { shownScale } from '../../simulator/instruments/shown.ts';
import { HeldStore } from '../helpers/held-store.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { MATRIX_LINKS, MATRIX_RATE_HZ, instrumentsOn, matrixScenario, type MatrixInstrument } from '../helpers/matrix-links.ts';
import { memoryBenchPort } from '../helpers/memory-bench-port.ts';
import { seeded } from '../helpers/seeded.ts';

const ALL = instrumentsOn(MATRIX_LINKS.find((link) => link.name === 'memory')!);
/** N.m */
const PEAKS = [12.3456, -7.2501, 41.0019, 25.25, -30.5, 8.125];
const PULL_S = 1.2;
const FIRST_S = 3;

/** As in the matrix: for each peak up in 0.2 s, 0.5 s still, down in 0.2 s, 0.3 s rest. */
function torqueAt(seconds: number): number {
  const pull = Math.floor((seconds - FIRST_S) / PULL_S);
  const at = seconds - FIRST_S - pull * PULL_S;
  return (PEAKS[pull] ?? 0) * Math.max(0, Math.min(1, at / 0.2, (0.9 - at) / 0.2));
}

/** The torque of now, so that a device that was switched off and on sees the same as the others. */
function source(seconds: () => number): TorqueSource {
  return { isSaturated: false, zero: () => {}, next: () => torqueAt(seconds()) };
}

const isAsked = ({ format }: MatrixInstrument): boolean => /READ|scpi|modbus/.test(format);
const endsMessages = ({ format }: MatrixInstrument): boolean => !/modbus/.test(format) && (!/kind: frames/.test(format) || /framing/.test(format));
const hasChecksum = ({ name }: MatrixInstrument): boolean => ['sync', 'cobs-eight', 'slip-turns', 'counts', 'rtu'].includes(name);

interface Fault {
  readonly name: string;
  readonly suits: (instrument: MatrixInstrument) => boolean;
  /** Those that are asked send far fewer messages. */
  readonly plan: (isAsked: boolean) => object;
  /** Whether it came about. */
  readonly happened: (faults: FaultCounters) => boolean;
  /** From this pull on every reading must be there. */
  readonly completeFrom?: number;
}

const FAULTS: readonly Fault[] = [
  { name: 'none', suits: () => true, plan: () => ({}), happened: () => true, completeFrom: 0 },
  { name: 'split and merged chunks', suits: (one) => !isAsked(one), plan: () => ({ chunks: { splitShare: 0.4, mergeShare: 0.3 } }), happened: ({ outBytes }) => outBytes > 0, completeFrom: 0 },
  { name: 'answers cut in two', suits: isAsked, plan: () => ({ chunks: { splitShare: 0.01 } }), happened: ({ outBytes }) => outBytes > 0 },
  // What has no checksum can be imitated by noise, a lone digit as a line; in these runs it is not.
  { name: 'garbage', suits: () => true, plan: () => ({ garbage: { share: 0.004, maxBytes: 24 } }), happened: ({ garbageBytes }) => garbageBytes > 0 },
  { name: 'turned bits', suits: hasChecksum, plan: () => ({ bits: { flippedShare: 0.004 } }), happened: ({ flips }) => flips > 0 },
  { name: 'lost messages', suits: endsMessages, plan: (isAsked) => ({ lines: { lostShare: isAsked ? 0.01 : 0.003 } }), happened: ({ lostBytes }) => lostBytes > 0 },
  { name: 'messages that come twice', suits: endsMessages, plan: (isAsked) => ({ lines: { duplicatedShare: isAsked ? 0.05 : 0.003 } }), happened: ({ duplicatedBytes }) => duplicatedBytes > 0 },
  // Within the second pull, which begins at 4.2 s; the fifth begins at 7.8 s.
  { name: 'a stall in a pull', suits: () => true, plan: () => ({ timeline: [{ kind: 'stall', atS: 4.5, forS: 0.2 }] }), happened: ({ stalledBytes }) => stalledBytes > 0, completeFrom: 4 },
  { name: 'an unplugging in a pull', suits: () => true, plan: () => ({ timeline: [{ kind: 'unplug', atS: 4.5, forS: 0.3 }] }), happened: ({ unplugs }) => unplugs === 1, completeFrom: 4 },
];

interface Seen {
  readonly channel: string;
  /** N.m; of a cut cycle its maximum. */
  readonly value: number;
  /** Pull in which the cycle began. */
  readonly pull: number;
}

async function run(instruments: readonly MatrixInstrument[], plan: Fault['plan']): Promise<{ readings: Seen[]; cuts: Seen[]; faults: FaultCounters[] }> {
  const clock = new ManualClock();
  const startMs = clock.monoMs();
  const scenario = matrixScenario('tcp', instruments);
  const shown = await startScenario(scenario);
  const inputs = scenarioSettingsInput(shown).instruments as { id: string; channels: object[] }[];
  await shown.stop();
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: inputs.map((input) => ({ ...input, channels: input.channels.map((channel) => ({ ...channel, zero: { kind: 'fixed' } })) })),
  });
  const benches = scenario.instruments.map((one, i) => {
    const { port, open } = memoryBenchPort();
    const faulty = new FaultyPort(port, FaultPlan.parse({ seed: 11 + i, ...plan(isAsked(instruments[i]!)) }), clock, {
      delimiter: endOfMessage(one), onUnplugged: () => device.switchOff(), onPluggedIn: () => device.switchOn(),
    });
    const device = makeInstrument(one, {
      port: faulty, clock, rateHz: MATRIX_RATE_HZ, channels: one.channels.map((channel) => ({ source: source(() => (clock.monoMs() - startMs) / 1_000), shown: shownScale(channel) })),
    });
    device.switchOn();
    return { faulty, open, device };
  });
  const byLink = new Map(settings.instruments.map((entry, i) => [entry.link, benches[i]!]));
  const set = createInstrumentSet(settings.instruments, { clock, random: seeded(1), findDriver, openLink: (link) => byLink.get(link)!.open });
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const station = new Station({ settings, instruments: set, store: new HeldStore(), clock, log, version: '0.0.0-test' });
  const readings: Seen[] = [];
  const cuts: Seen[] = [];
  // The sample clock may be late by a stall that it has not noticed yet.
  const pullOf = (iso: string): number => Math.floor((Date.parse(iso) - clock.wallMs() + clock.monoMs() - startMs - FIRST_S * 1_000 + 250) / (PULL_S * 1_000));
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') readings.push({ channel: event.reading.channel, value: event.reading.value, pull: pullOf(event.reading.startedAt) });
    if (event.type === 'cycle.interrupted') cuts.push({ channel: event.channel, value: event.maximum, pull: pullOf(event.startedAt) });
  });
  station.start();
  for (const endMs = startMs + 1_000 * (FIRST_S + PULL_S * PEAKS.length + 0.5); clock.monoMs() < endMs;) {
    clock.advance(1);
    await new Promise((resolve) => setImmediate(resolve));
  }
  const stopped = station.stop();
  for (let i = 0; i < 3_000; i++) {
    clock.advance(1);
    await new Promise((resolve) => setImmediate(resolve));
  }
  await stopped;
  for (const { device, faulty } of benches) {
    device.switchOff();
    await faulty.close();
  }
  return { readings, cuts, faults: benches.map(({ faulty }) => faulty.faults) };
}

describe.each(FAULTS)('a line with $name', ({ suits, plan, happened, completeFrom }) => {
  it('gives readings of the torque that was there, or none', async () => {
    const instruments = ALL.filter(suits);
    expect(instruments.length).toBeGreaterThan(0);
    const { readings, cuts, faults } = await run(instruments, plan);
    faults.forEach((one, i) => expect(happened(one), instruments[i]!.name).toBe(true));
    expect(readings.length).toBeGreaterThan(instruments.length);
    for (const { name, units, step } of instruments) {
      units.forEach((_, i) => {
        const channel = `${name}/${i + 1}`;
        const seen = readings.filter((reading) => reading.channel === channel);
        for (const { value, pull } of seen) {
          expect(Math.abs(value - PEAKS[pull]!), `${channel}: ${value} in pull ${pull}`).toBeLessThanOrEqual(step / 2 + 1e-9);
        }
        const pulls = seen.map(({ pull }) => pull);
        expect(new Set(pulls).size, channel).toBe(pulls.length);
        if (completeFrom !== undefined) expect(pulls, channel).toEqual(expect.arrayContaining(PEAKS.map((_peak, pull) => pull).slice(completeFrom)));
        // A cycle that was cut is not judged, and neither is what is left of its pull.
        expect(cuts.filter((cut) => cut.channel === channel && pulls.includes(cut.pull)), channel).toEqual([]);
      });
    }
  });
});
