import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { ArrivalFit } from '../../../daemon/pipeline/arrival-fit.ts';
import { nominalRate } from '../../../daemon/pipeline/nominal-rate.ts';
import { SampleClock } from '../../../daemon/pipeline/sample-clock.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { jitteredArrivals } from '../../helpers/jittered-arrivals.ts';

const clockOf = (declaredRateHz: number | null): SampleClock => new SampleClock({ channel: 'bench/1', epoch: 3, declaredRateHz, silenceMs: 2_000 });
const samples = (count: number, first = 0): { values: Float64Array; status: null; unit: null } => ({
  values: Float64Array.from({ length: count }, (_, i) => first + i), status: null, unit: null,
});
const endMs = (block: DeviceBlock): number => block.startMs + block.device.length * block.spacingMs;

describe('SampleClock', () => {
  it('marks the first block of an epoch as connected and places its last sample at its arrival', () => {
    const [block] = clockOf(100).push(samples(5), 1_000);
    expect(block).toMatchObject({ channel: 'bench/1', epoch: 3, firstIndex: 0, gap: 'connected', spacingMs: 10, rateHz: 100, timeEstimated: true });
    expect(block!.startMs + 4 * block!.spacingMs).toBeCloseTo(1_000, 9);
  });

  it('lets blocks without a gap tile, whatever the arrivals', () => {
    const arrival = fc.record({ count: fc.integer({ min: 1, max: 40 }), waitMs: fc.double({ min: 0, max: 80, noNaN: true }) });
    fc.assert(fc.property(fc.array(arrival, { minLength: 2, maxLength: 150 }), fc.integer({ min: 1, max: 5_000 }), (arrivals, rateHz) => {
      const clock = clockOf(rateHz);
      let atMs = 500;
      let before: DeviceBlock | null = null;
      for (const { count, waitMs } of arrivals) {
        atMs += waitMs;
        for (const block of clock.push(samples(count), atMs)) {
          expect(block.spacingMs).toBeGreaterThan(0);
          if (before !== null) {
            expect(block.firstIndex).toBe(before.firstIndex + before.device.length);
            if (block.gap === null) expect(block.startMs).toBe(endMs(before));
            else expect(block.startMs).toBeGreaterThanOrEqual(endMs(before));
          }
          before = block;
        }
      }
    }), { numRuns: 60 });
  });

  it('is a function of counts and arrivals alone', () => {
    const { arrivals } = jitteredArrivals({ rateHz: 1_000, ppm: 80, lumpMs: 16, seconds: 5, seed: 3 });
    const run = (): DeviceBlock[] => {
      const clock = clockOf(null);
      return arrivals.flatMap(({ count, atMs }) => clock.push(samples(count), atMs));
    };
    expect(run()).toEqual(run());
  });

  it('gives a skipped sample its index and its time, and the next block the gap', () => {
    const clock = clockOf(1_000);
    clock.push(samples(10), 100);
    clock.skip(3, 'bad-sample');
    const [block] = clock.push(samples(10), 113);
    expect(block).toMatchObject({ firstIndex: 13, gap: 'bad-sample' });
    expect(block!.startMs).toBeCloseTo(104, 6);
  });

  it('keeps the first of two gap marks', () => {
    const clock = clockOf(1_000);
    clock.skip(1, 'overload');
    expect(clock.push(samples(1), 100)[0]!.gap).toBe('connected');
    clock.skip(1, 'overload');
    clock.skip(1, 'bad-sample');
    expect(clock.push(samples(1), 103)[0]!.gap).toBe('overload');
  });

  it('continues after a silence at the time of the new arrivals, once it is clear that nothing catches up', () => {
    const clock = clockOf(100);
    for (let i = 0; i < 300; i++) clock.push(samples(1), 1_000 + 10 * i);
    const made: DeviceBlock[] = [];
    for (let i = 0; i < 30; i++) made.push(...clock.push(samples(1), 9_000 + 10 * i));
    expect(made[0]).toMatchObject({ gap: 'silence', firstIndex: 300, startMs: 9_000, timeEstimated: true });
    expect(made.map((block) => block.firstIndex)).toEqual(Array.from({ length: made.length }, (_, i) => 300 + i));
    expect(made.length).toBeGreaterThan(5);
  });

  it.each([[1, ['lost-samples', null, null]], [2, ['lost-samples', 'lost-samples', null]]])('cuts at both ends of what came together behind a hole, for the hole may lie in it: %i samples', (together, gaps) => {
    const clock = clockOf(100);
    for (let i = 0; i < 300; i++) clock.push(samples(1), 1_000 + 10 * i);
    const made: DeviceBlock[] = [];
    for (let i = 0; i < 60; i++) made.push(...clock.push(samples(i === 0 ? together : 1), 4_500 + 10 * i));
    expect(made[0]!.device.length).toBe(together);
    expect(made.slice(0, 3).map((block) => block.gap)).toEqual(gaps);
  });

  it('loses no sample while it measures the rate, and then says the rate that was meant', () => {
    const { arrivals } = jitteredArrivals({ rateHz: 1_000, ppm: 300, lumpMs: 16, seconds: 4, seed: 5 });
    const clock = clockOf(null);
    let sent = 0;
    const blocks = arrivals.flatMap(({ count, atMs }) => {
      const made = clock.push(samples(count, sent), atMs);
      sent += count;
      return made;
    });
    blocks.push(...clock.end());
    expect(blocks[0]).toMatchObject({ firstIndex: 0, gap: 'connected', rateHz: 1_000, timeEstimated: false });
    expect(blocks.flatMap((block) => [...block.device])).toEqual(Array.from({ length: sent }, (_, i) => i));
    expect(new Set(blocks.map((block) => block.rateHz))).toEqual(new Set([1_000]));
    expect(clock.counters().dropped).toBe(0);
  });

  it('keeps the gaps, units and states of samples that were held', () => {
    const clock = clockOf(null);
    const blocks: DeviceBlock[] = [];
    for (let i = 0; i < 30; i++) {
      if (i === 10) clock.skip(1, 'overload');
      blocks.push(...clock.push({ values: Float64Array.of(i), status: i === 5 ? Uint8Array.of(2) : null, unit: i < 20 ? 'N.m' : 'cN.m' }, 50 * (i + (i >= 10 ? 1 : 0))));
    }
    expect(blocks.map((block) => [block.firstIndex, block.gap, block.unit]).slice(0, 3)).toEqual([[0, 'connected', 'N.m'], [11, 'overload', 'N.m'], [21, null, 'cN.m']]);
    expect([...blocks[0]!.status!]).toEqual([0, 0, 0, 0, 0, 2, 0, 0, 0, 0]);
  });

  it('measures 1 S/s from four single samples', () => {
    const clock = clockOf(null);
    const made = [0, 1_003, 2_001, 3_002].map((atMs) => clock.push(samples(1), atMs).length);
    expect(made).toEqual([0, 0, 0, 1]);
    expect(clock.rateHz).toBe(1);
  });

  it('says that samples vanished when arrivals stay late for a second', () => {
    const clock = clockOf(1_000);
    const gaps: unknown[] = [];
    for (let i = 1; i <= 8_000; i++) {
      // After 4 s the transport swallows 300 samples without a word.
      const atMs = i + (i > 4_000 ? 300 : 0);
      gaps.push(...clock.push(samples(1), atMs).map((block) => block.gap));
    }
    expect(gaps.filter((gap) => gap !== null)).toEqual(['connected', 'lost-samples']);
    expect(gaps.indexOf('lost-samples')).toBeLessThan(5_500);
    expect(clock.counters().steps).toBe(1);
  });

  it('takes a host that stalls and catches up for what it is: no gap', () => {
    const clock = clockOf(1_000);
    const gaps: unknown[] = [];
    for (let at = 5; at <= 20_000; at += 5) {
      if (at % 4_000 < 900) continue;
      const count = at % 4_000 === 900 ? 900 : 5;
      gaps.push(...clock.push(samples(count), at).map((block) => block.gap));
    }
    expect(gaps.filter((gap) => gap !== null)).toEqual(['connected']);
  });

  it('never puts a sample later than it arrived, also when twice as many come as were declared', () => {
    for (const factor of [1.02, 2, 5]) {
      const clock = clockOf(1_000);
      for (let i = 1; i <= 6_000; i++) {
        const atMs = i / factor;
        for (const block of clock.push(samples(1), atMs)) {
          const lastMs = block.startMs + (block.device.length - 1) * block.spacingMs;
          expect(lastMs).toBeLessThanOrEqual(atMs + 2.001);
          if (i > 2_500 && factor > 1.5) expect(block.spacingMs * 1_000 / block.rateHz).toBeLessThan(1);
        }
      }
    }
  });

  it('flags times that a slow device clock moved, until the line has caught up with it', () => {
    const clock = clockOf(1_000);
    let flagged = 0;
    for (let i = 0; i < 8_000; i++) {
      const takenMs = i * 1.004;
      for (const block of clock.push(samples(1), takenMs)) {
        if (block.timeEstimated) flagged++;
        else expect(Math.abs(block.startMs - takenMs)).toBeLessThan(2.1);
      }
    }
    expect(flagged).toBeGreaterThan(500);
    expect(flagged).toBeLessThan(4_000);
  });

  it('follows a device that changes its rate', () => {
    const clock = clockOf(1_000);
    let last: DeviceBlock | undefined;
    for (let i = 1; i <= 15_000; i++) [last] = clock.push(samples(1), i <= 5_000 ? i : 5_000 + 2 * (i - 5_000));
    expect(last!.spacingMs).toBeCloseTo(2, 2);
    expect(Math.abs(endMs(last!) - 25_000)).toBeLessThan(10);
    expect(clock.measuredHz).toBeCloseTo(500, 0);
  });
});

describe('ArrivalFit', () => {
  it('is never undercut by an arrival, and so never says that a sample came before it was taken', () => {
    fc.assert(fc.property(fc.integer({ min: 0, max: 1_000 }), fc.boolean(), fc.integer({ min: -500, max: 500 }), (seed, isGiven, ppm) => {
      const fit = new ArrivalFit(isGiven ? 1 : 1.002);
      let n = -1;
      for (const { count, atMs } of jitteredArrivals({ rateHz: 1_000, ppm, lumpMs: 4, seconds: 3, seed }).arrivals) {
        n += count;
        fit.add(n, atMs);
        expect(fit.timeOf(n)).toBeLessThanOrEqual(atMs + 1e-6);
      }
      expect(fit.isEstablished).toBe(true);
    }), { numRuns: 30 });
  });

  it('finds the period of arrivals that are only ever late', () => {
    const { arrivals, periodMs } = jitteredArrivals({ rateHz: 1_000, ppm: 123, lumpMs: 0, seconds: 20, seed: 11 });
    const fit = new ArrivalFit(1);
    let n = -1;
    for (const { count, atMs } of arrivals) fit.add((n += count), atMs);
    expect(Math.abs(fit.periodMs / periodMs - 1)).toBeLessThan(10e-6);
  });
});

describe('nominalRate', () => {
  it.each([[999.2, 1_000], [1_003, 1_000], [62.4, 62.4], [0.9991, 1], [4_807, 4_810], [19_990, 20_000], [124.7, 125], [333.31, 333], [9.98, 10], [995, 995]])('%d is %d', (measured, meant) => {
    expect(nominalRate(measured)).toBe(meant);
  });
});
