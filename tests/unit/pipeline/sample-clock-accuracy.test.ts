import { describe, expect, it } from 'vitest';
import { SampleClock } from '../../../daemon/pipeline/sample-clock.ts';
import { jitteredArrivals, type ArrivalPlan } from '../../helpers/jittered-arrivals.ts';

interface Errors {
  /** |distance of consecutive samples - true distance|, ms, over all samples from the first on. */
  readonly spacing: Float64Array;
  /** |time - true time - median of that|, ms. */
  readonly time: Float64Array;
  readonly goesBack: boolean;
}

function timeErrors(plan: ArrivalPlan, declaredRateHz: number | null, afterMs = 0): Errors {
  const { arrivals, periodMs } = jitteredArrivals(plan);
  const clock = new SampleClock({ channel: 'bench/1', epoch: 1, declaredRateHz });
  const times: number[] = [];
  const indices: number[] = [];
  for (const { count, atMs } of arrivals) {
    for (const block of clock.push({ values: new Float64Array(count), status: null, unit: null }, atMs)) {
      for (let i = 0; i < block.device.length; i++) {
        if (atMs < afterMs) continue;
        times.push(block.startMs + i * block.spacingMs);
        indices.push(block.firstIndex + i);
      }
    }
  }
  const spacing = new Float64Array(times.length - 1);
  let goesBack = false;
  for (let i = 1; i < times.length; i++) {
    const distance = times[i]! - times[i - 1]!;
    if (!(distance > 0)) goesBack = true;
    spacing[i - 1] = Math.abs(distance - periodMs);
  }
  const offsets = Float64Array.from(times, (time, i) => time - indices[i]! * periodMs);
  const median = Float64Array.from(offsets).sort()[offsets.length >> 1]!;
  return { spacing: spacing.sort(), time: offsets.map((offset) => Math.abs(offset - median)).sort(), goesBack };
}

const quantile = (sorted: Float64Array, share: number): number => sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))]!;

const plan = (lumpMs: number, ppm = 0): ArrivalPlan => ({ rateHz: 1_000, ppm, lumpMs, seconds: 60, seed: 20_261_125 });

describe('sample times at 1 kHz, causal, from arrivals with realistic jitter', () => {
  const cases: [string, ArrivalPlan, number | null][] = [
    ['read at once, rate declared', plan(0), 1_000],
    ['16 ms lumps, rate declared', plan(16), 1_000],
    ['16 ms lumps, rate measured', plan(16), null],
    ['16 ms lumps, device clock 80 ppm slow', plan(16, 80), 1_000],
    ['16 ms lumps, device clock 80 ppm fast', plan(16, -80), 1_000],
    ['16 ms lumps, declared 1 % too high', plan(16), 1_010],
    ['16 ms lumps, declared 2 % too low, clock 80 ppm slow', plan(16, 80), 980],
    ['1 ms lumps, many stalls', { ...plan(1), stallsPerSecond: 5 }, 1_000],
  ];
  it.each(cases)('%s: spacing within 0.15 ms (p99), times never go back', (name, arrivals, declared) => {
    const whole = timeErrors(arrivals, declared);
    const settled = timeErrors(arrivals, declared, 5_000);
    const show = (errors: Float64Array): string => `p50 ${quantile(errors, 0.5).toFixed(4)}, p99 ${quantile(errors, 0.99).toFixed(4)}`;
    console.log(`${name}: spacing ${show(whole.spacing)} ms; time ${show(whole.time)} ms, after 5 s ${show(settled.time)} ms`);
    expect(whole.goesBack).toBe(false);
    // The limit of the product's own bench: 0.15 ms at 1 kHz.
    expect(quantile(whole.spacing, 0.99)).toBeLessThanOrEqual(0.15);
    // Within one sample period an adapter that beats with the sample clock hides the truth; more would be ours.
    expect(quantile(settled.time, 0.99)).toBeLessThanOrEqual(arrivals.ppm === 0 ? 0.3 : 1.2);
  });

  it.each([1, 10, 62.5, 4_800, 20_000])('keeps the spacing within 2 per cent at %d S/s too', (rateHz) => {
    const errors = timeErrors({ rateHz, ppm: 50, lumpMs: rateHz > 100 ? 4 : 0, seconds: rateHz < 100 ? 400 : 20, seed: 7 }, rateHz);
    expect(errors.goesBack).toBe(false);
    expect(quantile(errors.spacing, 0.99)).toBeLessThanOrEqual(0.02 * (1_000 / rateHz));
  });
});
