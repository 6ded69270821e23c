/**
 * (d) Error of the distance of consecutive samples at 1 kHz, from the causal clock, on arrivals with known truth: an
 * adapter that collects for 0, 1 or 16 ms, a scheduler that is late by up to 5 ms, stalls of 10 to 60 ms, a device
 * clock that is off by up to 200 parts per million.
 */
import { jitteredArrivals } from '../helpers/jittered-arrivals.ts';
import { quantile, timeErrors } from '../helpers/time-errors.ts';
import type { BenchLine } from './bench-line.ts';

const WANTED_MS = 0.15;
const SECONDS = 60;

export async function run(): Promise<BenchLine[]> {
  const plans = [0, 1, 16].flatMap((lumpMs) => [-200, 20, 200].map((ppm, i) => ({ rateHz: 1_000, ppm, lumpMs, seconds: SECONDS, seed: 100 * lumpMs + i })));
  const declared = plans.map((plan) => timeErrors(plan, 1_000));
  const measured = plans.map((plan) => timeErrors(plan, null));
  const worst = (all: typeof declared, share: number): number => Math.max(...all.map(({ spacing }) => quantile(spacing, share)));
  const raw = Math.max(...plans.map(rawSpacingP99));
  return [
    {
      name: '(d) p99 of sample spacing error at 1 kHz, from the clock / 0.15 ms', ratio: worst(declared, 0.99) / WANTED_MS, atMost: 1,
      detail: `${worst(declared, 0.99).toFixed(4)} ms, worst of ${plans.length} records of ${SECONDS} s from the first sample on; of the arrivals themselves ${raw.toFixed(1)} ms; median ${worst(declared, 0.5).toFixed(4)} ms`,
    },
    {
      name: '    the same with the rate measured, not declared', ratio: worst(measured, 0.99) / WANTED_MS,
      detail: `${worst(measured, 0.99).toFixed(4)} ms`,
    },
  ];
}

/** Every sample at the time it arrived. */
function rawSpacingP99(plan: Parameters<typeof jitteredArrivals>[0]): number {
  const { arrivals, periodMs } = jitteredArrivals(plan);
  const times = arrivals.flatMap(({ count, atMs }) => new Array<number>(count).fill(atMs));
  return quantile(Float64Array.from({ length: times.length - 1 }, (_, i) => Math.abs(times[i + 1]! - times[i]! - periodMs)).sort(), 0.99);
}
