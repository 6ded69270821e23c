/**
 * Whole stations with real drivers on a clock that stands still, and devices that fall silent. For those that stream,
 * what arrives is planned (`hole-plan.ts`); those that are asked leave requests without an answer. The truth is the
 * device's: when each sample that reached the station was taken.
 */
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { createLog } from '../../daemon/log.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../drivers/links/memory-link.ts';
import { rtuFrame } from '../../drivers/protocols/modbus/codec.ts';
import { findDriver } from '../../drivers/registry.ts';
import type { Reading } from '../../shared/reading.ts';
import { HeldStore } from './held-store.ts';
import { END_MS, plannedArrivals, PULLS, torqueAt, type HolePlan } from './hole-plan.ts';
import { breathe } from './instrument-bench.ts';
import { ManualClock } from './manual-clock.ts';
import { seeded } from './seeded.ts';

export const DRIVERS = ['ascii-lines', 'framed-binary', 'framed-binary with a counter', 'scpi', 'modbus-rtu'] as const;
export type DriverName = (typeof DRIVERS)[number];
export const isAsked = (driver: DriverName): boolean => driver === 'scpi' || driver === 'modbus-rtu';

/** What became of the two pulls of a plan. */
export interface Outcome {
  readonly driver: DriverName;
  readonly plan: HolePlan;
  /** For each pull: whether the device was silent within it; null: so near its ends that both are right. */
  readonly cut: readonly (boolean | null)[];
  /** For each pull: its readings. */
  readonly readings: readonly (readonly Reading[])[];
  /** Readings of no pull. */
  readonly others: readonly Reading[];
}

/** Plans of one kind for one driver: from two sample periods, and beyond the jitter of arrival, to 3 s, anywhere from before the first pull to behind the second. */
export function plansFor(driver: DriverName, kind: HolePlan['kind'], count: number, seed: number): HolePlan[] {
  const random = seeded(seed + DRIVERS.indexOf(driver));
  const pick = <Value>(values: readonly Value[]): Value => values[Math.floor(random() * values.length)]!;
  return Array.from({ length: count }, (_, i) => {
    const rateHz = isAsked(driver) ? pick([10, 20, 40]) : i % 16 === 0 ? 20_000 : pick([10, 40, 100, 500, 1_000, 2_000, 5_000]);
    const lumpMs = !isAsked(driver) && rateHz >= 500 ? pick([0, 1, 4, 16]) : 0;
    const jitterMs = pick([0.2, 1, 5]);
    const leastMs = Math.max(2.2 * (1_000 / rateHz), kind === 'hole' ? 10 + jitterMs + lumpMs : 5);
    const drain = kind === 'delay' ? pick([Infinity, 10, 3]) : Infinity;
    // A delay must end before the gateway takes it for something else: no answer, or a silence (`silenceMs`).
    const mostMs = kind === 'hole' ? 3_000 : isAsked(driver) ? 190 : 1_800;
    return { rateHz, kind, lastsMs: Math.min(mostMs, leastMs * (mostMs / leastMs) ** random()), atMs: 1_500 + 5_000 * random(), lumpMs, jitterMs, seed: seed + i, drain };
  });
}

const FRAME = { framing: { kind: 'sync', bytes: 'a5 5a', length: 9 }, byteOrder: 'little', channels: [{ at: 3, type: 'f32' }], checksum: { name: 'CRC-16/MODBUS' } };

function driverSettings(driver: DriverName, rateHz: number): object {
  const poll = { rateHz, timeoutMs: 200, quietMs: 20 };
  switch (driver) {
    case 'ascii-lines': return { id: driver };
    case 'framed-binary': return { id: driver, options: FRAME };
    case 'framed-binary with a counter': return { id: 'framed-binary', options: { ...FRAME, counter: { at: 2 } } };
    case 'scpi': return { id: driver, options: { poll } };
    case 'modbus-rtu': return { id: driver, options: { poll, channels: [{ address: 0, type: 'i16', scale: 0.01 }] } };
  }
}

/** @returns bytes of samples with these numbers */
function encoded(driver: DriverName, torque: Float64Array, numbers: readonly number[]): Uint8Array {
  if (driver === 'ascii-lines') return Buffer.from(Array.from(torque, (value) => `${value.toFixed(3)}\n`).join(''));
  const bytes = Buffer.alloc(torque.length * 9);
  torque.forEach((value, i) => {
    const frame = bytes.subarray(i * 9, i * 9 + 9);
    frame.set([0xa5, 0x5a, numbers[i]! & 255]);
    frame.writeFloatLE(value, 3);
    frame.writeUInt16LE(crc16(frame.subarray(0, 7)), 7);
  });
  return bytes;
}

/** CRC-16/MODBUS, bit by bit as the catalogues give it, and so not the product's. */
function crc16(bytes: Uint8Array): number {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = crc & 1 ? (crc >>> 1) ^ 0xa001 : crc >>> 1;
  }
  return crc;
}

export async function run(driver: DriverName, plan: HolePlan, declared: boolean): Promise<Outcome> {
  const clock = new ManualClock();
  const farEnds: MemoryFarEnd[] = [];
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: [{
      id: 'bench-a', link: { kind: 'serial', path: '/dev/made-up' }, driver: driverSettings(driver, plan.rateHz),
      channels: [{
        ...(declared && !isAsked(driver) ? { sampleRateHz: plan.rateHz } : {}), zero: { kind: 'fixed' },
        transducer: { serialNumber: 'HF-T60-0001 (invented)', capacity: 60 }, capture: { mode: 'peak' },
      }],
    }],
  });
  const begin = { ms: 0 };
  const asked = askedDevice(driver, plan, clock, begin);
  const instruments = createInstrumentSet(settings.instruments, {
    clock, random: seeded(1), findDriver, portStamp: async () => 'a port',
    openLink: () => async () => {
      const { link, far } = createMemoryLink(clock, '/dev/made-up');
      farEnds.push(far);
      far.onWrite((message) => asked?.answer(far, message));
      return link;
    },
  });
  const station = new Station({ settings, instruments, store: new HeldStore(), clock, log: createLog({ isTerminal: false, level: 'silent', write: () => undefined }), version: '0.0.0-test' });
  const readings: Reading[] = [];
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') readings.push(event.reading);
  });
  const passTo = async (ms: number, stepMs: number): Promise<void> => {
    for (let now = clock.monoMs(); now < ms; now = clock.monoMs()) {
      clock.advance(Math.min(stepMs, ms - now));
      await breathe();
    }
  };
  station.start();
  await passTo(clock.monoMs() + 400, 10);
  let takenMs: readonly number[];
  if (asked) {
    begin.ms = clock.monoMs();
    for (let ms = 0; ms < END_MS; ms++) {
      clock.advance(1);
      await new Promise((resolve) => setImmediate(resolve));
    }
    takenMs = asked.takenMs;
  } else {
    // The first line may be cut and does not count.
    if (driver === 'ascii-lines') farEnds.at(-1)!.deliver('0.000\n');
    takenMs = await stream(driver, plan, clock, farEnds);
  }
  await passTo(clock.monoMs() + 1_000, 10);
  const stopped = station.stop();
  await passTo(clock.monoMs() + 3_000, 100);
  await stopped;
  const of = PULLS.map((pull) => readings.filter(({ value }) => Math.abs(value - pull.torque) < 0.1 * pull.torque));
  return { driver, plan, cut: PULLS.map((pull) => isCut(takenMs, plan, pull)), readings: of, others: readings.filter((reading) => !of.flat().includes(reading)) };
}

export interface Tally {
  readonly driver: DriverName;
  readonly plans: number;
  /** Pulls within which the device was silent, and how many of them became a reading all the same. */
  cut: number;
  across: number;
  /** Pulls that came whole, and how many of them are not there exactly once. */
  whole: number;
  lost: number;
  /** So near an end of a pull that both are right. */
  near: number;
  /** Each wrong one with its plan. */
  readonly wrong: string[];
}

/** Runs so many plans, the rate declared in every other one. */
export async function tally(driver: DriverName, kind: HolePlan['kind'], count: number, seed: number): Promise<Tally> {
  const sum: Tally = { driver, plans: count, cut: 0, across: 0, whole: 0, lost: 0, near: 0, wrong: [] };
  for (const [i, plan] of plansFor(driver, kind, count, seed).entries()) {
    const { cut, readings, others } = await run(driver, plan, i % 2 === 0);
    const told = JSON.stringify({ plan, cut, readings: [...readings, others].map((some) => some.map(({ value, durationMs, flags }) => [value, durationMs, flags])) });
    if (others.length > 0) sum.wrong.push(`of no pull: ${told}`);
    for (const [pull, isCut] of cut.entries()) {
      const found = readings[pull]!.length;
      if (isCut === null) sum.near++;
      else if (isCut) sum.cut++;
      else sum.whole++;
      if (isCut === true && found > 0 && ++sum.across) sum.wrong.push(`judged across: ${told}`);
      if (isCut === false && found !== 1 && ++sum.lost) sum.wrong.push(`${found} readings: ${told}`);
    }
  }
  return sum;
}

/** @returns when each sample that arrived was taken, ms */
async function stream(driver: DriverName, plan: HolePlan, clock: ManualClock, farEnds: readonly MemoryFarEnd[]): Promise<number[]> {
  const beganMs = clock.monoMs();
  const periodMs = 1_000 / plan.rateHz;
  const takenMs: number[] = [];
  let number = 0;
  let lastBreathMs = 0;
  for (const { atMs, torque } of plannedArrivals(plan)) {
    clock.advance(Math.max(0, beganMs + atMs - clock.monoMs()));
    const numbers = Array.from(torque, () => {
      // A device with a counter counts what it could not send, too.
      while (plan.kind === 'hole' && number * periodMs >= plan.atMs && number * periodMs < plan.atMs + plan.lastsMs) number++;
      return number++;
    });
    for (const one of numbers) takenMs.push(one * periodMs);
    farEnds.at(-1)!.deliver(encoded(driver, torque, numbers));
    if (atMs - lastBreathMs < 10) continue;
    lastBreathMs = atMs;
    await breathe();
  }
  return takenMs;
}

/** A device that answers a request some milliseconds later, unless it is silent then; held up, it answers when that is over. */
function askedDevice(driver: DriverName, plan: HolePlan, clock: ManualClock, begin: { ms: number }): { answer(far: MemoryFarEnd, message: Uint8Array): void; takenMs: number[] } | null {
  if (!isAsked(driver)) return null;
  const random = seeded(plan.seed);
  const takenMs: number[] = [];
  const reply = (far: MemoryFarEnd, afterMs: number, bytes: () => Uint8Array): void => void clock.after(afterMs, () => far.isOpen && far.deliver(bytes()));
  return {
    takenMs,
    answer: (far, message) => {
      const text = Buffer.from(message).toString('latin1');
      const other = driver === 'scpi' ? { '*IDN?\n': 'HF,A2,7,1\n', 'SYST:ERR?\n': '0,"No error"\n' }[text] : undefined;
      const nowMs = clock.monoMs() - begin.ms;
      const isSilent = begin.ms > 0 && nowMs >= plan.atMs && nowMs < plan.atMs + plan.lastsMs;
      if (isSilent && plan.kind === 'hole') return;
      if (other !== undefined) return reply(far, 2, () => Buffer.from(other));
      const waitMs = 2 + plan.jitterMs * random() + (isSilent ? plan.atMs + plan.lastsMs - nowMs : 0);
      reply(far, waitMs, () => {
        const ms = clock.monoMs() - begin.ms;
        const torque = begin.ms > 0 ? torqueAt(ms) : 0;
        if (begin.ms > 0) takenMs.push(ms);
        if (driver === 'scpi') return Buffer.from(`${torque.toFixed(3)}\n`);
        const counts = Math.round(torque * 100);
        return rtuFrame(1, Uint8Array.of(3, 2, counts >> 8, counts & 255));
      });
    },
  };
}

/** A cycle is over when torque was released for 40 ms, and a hole may be told a little beside where it is. */
const RELEASE_MS = 40;

/** An answer that is waited for less than two periods makes its neighbours uneven and no hole: so far apart are three of them. */
const SLOW_ANSWER_PERIODS = 3.1;

function isCut(takenMs: readonly number[], plan: HolePlan, { fromMs, toMs }: (typeof PULLS)[number]): boolean | null {
  const periodMs = 1_000 / plan.rateHz;
  const clearMs = periodMs * (plan.kind === 'delay' ? SLOW_ANSWER_PERIODS : 1.5);
  const nearMs = 2 * periodMs + 20;
  let found: boolean | null = false;
  for (let i = 1; i < takenMs.length; i++) {
    const [from, to] = [takenMs[i - 1]!, takenMs[i]!];
    if (to - from < 1.5 * periodMs) continue;
    if (to < fromMs - nearMs || from > toMs + RELEASE_MS + nearMs) continue;
    if (to > fromMs + nearMs && from < toMs - nearMs && to - from > clearMs) return true;
    found = null;
  }
  return found;
}
