import { seeded } from './seeded.ts';

export interface ArrivalPlan {
  /** What the device means to send, S/s. */
  readonly rateHz: number;
  /** By how much its clock is off, parts per million. */
  readonly ppm: number;
  /** The adapter hands over what it has every so many ms; 0: at once. */
  readonly lumpMs: number;
  readonly seconds: number;
  readonly seed: number;
  /** Mean number of stalls of the host (10 to 60 ms) per second; default 0.5. */
  readonly stallsPerSecond?: number;
}

export interface Arrival {
  /** Samples in the chunk. */
  readonly count: number;
  readonly atMs: number;
}

/**
 * Arrivals as a busy host sees them: an adapter that collects for `lumpMs`, a scheduler that is late by 0 to 0.3 ms
 * half of the time and by 1 to 5 ms the other half, and stalls. Sample n is taken at n * periodMs exactly.
 */
export function jitteredArrivals(plan: ArrivalPlan): { readonly arrivals: readonly Arrival[]; readonly periodMs: number } {
  const random = seeded(plan.seed);
  const periodMs = (1_000 / plan.rateHz) * (1 + plan.ppm * 1e-6);
  const total = Math.floor((plan.seconds * 1_000) / periodMs);
  const stallShare = plan.stallsPerSecond ?? 0.5;
  const arrivals: Arrival[] = [];
  const phaseMs = random() * plan.lumpMs;
  let taken = 0;
  let lastMs = 0;
  while (taken < total) {
    // The adapter has sample n ready at the first of its ticks after n * periodMs.
    const madeMs = taken * periodMs;
    const readyMs = plan.lumpMs === 0 ? madeMs + 0.05 : phaseMs + Math.ceil((madeMs - phaseMs) / plan.lumpMs + 1e-9) * plan.lumpMs;
    const waitedS = Math.max(0, readyMs - lastMs) / 1_000;
    const stallMs = random() < stallShare * waitedS ? 10 + 50 * random() : 0;
    const lateMs = random() < 0.5 ? 0.3 * random() : 1 + 4 * random();
    const atMs = Math.max(lastMs, readyMs + lateMs + stallMs);
    const untilMs = plan.lumpMs === 0 ? atMs - 0.05 : phaseMs + Math.floor((atMs - phaseMs) / plan.lumpMs) * plan.lumpMs;
    const until = Math.min(total, Math.floor(untilMs / periodMs + 1e-9) + 1);
    if (until <= taken) throw new Error('the plan of arrivals makes no progress');
    arrivals.push({ count: until - taken, atMs });
    taken = until;
    lastMs = atMs;
  }
  return { arrivals, periodMs };
}
