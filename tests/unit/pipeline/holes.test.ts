import { describe, expect, it } from 'vitest';
import { ChannelPipeline } from '../../../daemon/pipeline/channel-pipeline.ts';
import { SampleSource } from '../../../daemon/pipeline/sample-source.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import type { Reading } from '../../../shared/reading.ts';
import { TransducerSettings } from '../../../shared/transducer.ts';
import { PULLS, plannedArrivals, touches, type HolePlan } from '../../helpers/hole-plan.ts';
import { seeded } from '../../helpers/seeded.ts';

const CAPACITY = 60;
/** For machines that do much else. */
const LONGEST_MS = 600_000;

interface Result {
  readonly readings: readonly Reading[];
  readonly interrupted: readonly string[];
  /** Readings that left before the samples were all in. */
  readonly missing: number;
}

function run(plan: HolePlan, declared: boolean): Result {
  const source = new SampleSource({ instrument: 'bench', epoch: 1, ratesHz: [declared ? plan.rateHz : null], silenceMs: 2_000 });
  const pipeline = new ChannelPipeline({
    channel: 'bench/1', source: null, unit: 'N.m', sign: 1, zero: { kind: 'fixed', offset: 0 }, isSimulated: true, software: 'test', toWallMs: (ms) => ms,
    transducer: TransducerSettings.parse({ serialNumber: 'HF-T-0001', capacity: CAPACITY }),
    capture: CaptureSettings.parse({ mode: 'peak' }),
  });
  const readings: Reading[] = [];
  const interrupted: string[] = [];
  pipeline.outcomes$.subscribe((outcome) => {
    if (outcome.kind === 'reading') readings.push(outcome.reading);
    if (outcome.kind === 'interrupted') interrupted.push(outcome.cycle.reason);
  });
  const push = (blocks: ReturnType<SampleSource['step']>): void => {
    for (const block of blocks) pipeline.push(block);
  };
  for (const { atMs, torque } of plannedArrivals(plan)) push(source.step({ kind: 'values', channel: 0, values: torque, unit: null, status: null, atMs }));
  push(source.end());
  pipeline.end('stopped');
  return { readings, interrupted, missing: source.counters()[0]!.missing };
}

function plans(count: number, kind: HolePlan['kind'], seed: number): HolePlan[] {
  const random = seeded(seed);
  const pick = <Value>(values: readonly Value[]): Value => values[Math.floor(random() * values.length)]!;
  return Array.from({ length: count }, (_, i) => {
    // The fast ones take long; each rate is there all the same.
    const rateHz = i % 16 === 0 ? 20_000 : pick([10, 40, 100, 500, 1_000, 2_000, 5_000]);
    const lumpMs = rateHz >= 500 ? pick([0, 1, 4, 16]) : 0;
    const jitterMs = pick([0.2, 1, 5]);
    const leastMs = Math.max(2.2 * (1_000 / rateHz), kind === 'hole' ? 10 + jitterMs + lumpMs : 5);
    const lastsMs = leastMs * (3_000 / leastMs) ** random();
    const drain = kind === 'delay' ? pick([Infinity, 10, 3]) : Infinity;
    return { rateHz, kind, lastsMs, atMs: 1_500 + 3_500 * random(), lumpMs, jitterMs, seed: seed + i, drain };
  });
}

const told = (plan: HolePlan, result: Result): string => JSON.stringify({ plan, readings: result.readings.map(({ value, durationMs, flags }) => [value, durationMs, flags]), interrupted: result.interrupted });

describe('a device that falls silent and goes on without what it missed', () => {
  it.each([true, false])('has no pull judged across the hole, and no other pull lost: 200 holes, rate declared %s', (declared) => {
    let cut = 0;
    for (const plan of plans(200, 'hole', declared ? 11 : 12)) {
      const result = run(plan, declared);
      for (const pull of PULLS) {
        const of = result.readings.filter(({ value }) => Math.abs(value - pull.torque) < 0.1 * pull.torque);
        const isTouched = touches({ fromMs: plan.atMs, toMs: plan.atMs + plan.lastsMs, rateHz: plan.rateHz }, pull);
        if (isTouched === true) cut++;
        if (isTouched !== null) expect(of, told(plan, result)).toHaveLength(isTouched ? 0 : 1);
      }
      expect(result.readings.length, told(plan, result)).toBeLessThanOrEqual(PULLS.length);
      for (const { durationMs, value } of result.readings) {
        const pull = PULLS.find(({ torque }) => Math.abs(value - torque) < 0.1 * torque)!;
        expect(Math.abs(durationMs - 0.95 * (pull.toMs - pull.fromMs)), told(plan, result)).toBeLessThan(0.1 * (pull.toMs - pull.fromMs) + 2_000 / plan.rateHz);
      }
    }
    expect(cut).toBeGreaterThan(20);
  }, LONGEST_MS);

  it.each([true, false])('loses nothing when everything comes later: 200 delays, rate declared %s', (declared) => {
    for (const plan of plans(200, 'delay', declared ? 13 : 14)) {
      const result = run(plan, declared);
      expect(result.interrupted, told(plan, result)).toEqual([]);
      expect(result.readings, told(plan, result)).toHaveLength(2);
      expect(result.missing, told(plan, result)).toBe(0);
      for (const reading of result.readings) expect(reading.flags.filter((flag) => flag === 'gap')).toEqual([]);
    }
  }, LONGEST_MS);

  it.each([82, 165, 351, 352, 1, 2, 3])('finds no holes in lumps while the measured rate is young (%d)', (seed) => {
    const result = run({ rateHz: 500, kind: 'delay', lastsMs: 5, atMs: 4_932, lumpMs: 16, jitterMs: 5, seed }, false);
    expect(result).toMatchObject({ interrupted: [], missing: 0 });
    expect(result.readings).toHaveLength(2);
  });
});
