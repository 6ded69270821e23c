import { SampleClock } from '../../daemon/pipeline/sample-clock.ts';
import { jitteredArrivals, type ArrivalPlan } from './jittered-arrivals.ts';

/** Sorted, ms. */
export interface TimeErrors {
  /** |distance of consecutive samples - true distance|, ms, over all samples from the first on. */
  readonly spacing: Float64Array;
  /** |time - true time - median of that|, ms. */
  readonly time: Float64Array;
  readonly goesBack: boolean;
}

/** Runs planned arrivals through a sample clock and compares its times with the truth; samples before `afterMs` do not count. */
export function timeErrors(plan: ArrivalPlan, declaredRateHz: number | null, afterMs = 0): TimeErrors {
  const { arrivals, periodMs } = jitteredArrivals(plan);
  const clock = new SampleClock({ channel: 'bench/1', epoch: 1, declaredRateHz, silenceMs: 2_000 });
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

export const quantile = (sorted: Float64Array, share: number): number => sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))]!;
