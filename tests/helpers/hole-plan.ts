/**
 * A pull and its samples as they arrive from a device that falls silent for a while: either it goes on without what it
 * missed (a hole), or everything comes later (a delay). Torque says which sample it is, so that what was judged can be
 * compared with what was sent.
 */
import { seeded } from './seeded.ts';

export interface HolePlan {
  readonly rateHz: number;
  readonly kind: 'hole' | 'delay';
  readonly lastsMs: number;
  /** When the device falls silent, ms from the beginning. */
  readonly atMs: number;
  /** What the adapter collects before it hands it over, ms; 0: at once. */
  readonly lumpMs: number;
  /** Late by 0 to so much, ms. */
  readonly jitterMs: number;
  readonly seed: number;
  /** What was held up comes at so many times the rate; default: all at once. */
  readonly drain?: number;
}

export interface PlannedArrival {
  readonly atMs: number;
  readonly torque: Float64Array;
  /** Of its first sample, counted from the first that was taken; a hole takes its numbers with it. */
  readonly number: number;
}

/** When no sample was taken, ms from the beginning. */
export interface Hole {
  readonly fromMs: number;
  readonly toMs: number;
  readonly rateHz: number;
}

export type Pull = (typeof PULLS)[number];

/** ms: rest, rise, hold, let go, rest; then a second pull, an innocent one. */
export const PULLS = [{ fromMs: 3_000, toMs: 4_200, torque: 30 }, { fromMs: 6_500, toMs: 7_700, torque: 40 }] as const;
export const END_MS = 9_500;

export function torqueAt(ms: number): number {
  for (const { fromMs, toMs, torque } of PULLS) {
    if (ms <= fromMs || ms >= toMs) continue;
    const share = (ms - fromMs) / (toMs - fromMs);
    return torque * Math.min(1, share / 0.6, (1 - share) / 0.15);
  }
  return 0;
}

/** A cycle is over when torque was released for 40 ms, and a hole may be told a little beside where it is. */
const RELEASE_MS = 40;
/** What a pull begins with is not judged: below the torque that arms (2 % of 60 N.m) it is rest. */
const ARMING_MS = 30;

/** Whether the device was silent within a pull, so that its curve is not whole; null: so near that both are right. */
export function touches(hole: Hole, pull: Pull): boolean | null {
  const nearMs = 2 * (1_000 / hole.rateHz) + 20;
  if (hole.toMs < pull.fromMs - nearMs || hole.fromMs > pull.toMs + RELEASE_MS + nearMs) return false;
  return hole.toMs < pull.fromMs + ARMING_MS + nearMs || hole.fromMs > pull.toMs - nearMs ? null : true;
}

/** Samples taken at multiples of the period; those taken during a hole never come, those of a delay come at its end. */
export function plannedArrivals(plan: HolePlan): PlannedArrival[] {
  const { rateHz, kind, lastsMs, atMs, lumpMs, jitterMs, drain = Infinity } = plan;
  const random = seeded(plan.seed);
  const periodMs = 1_000 / rateHz;
  const phaseMs = random() * lumpMs;
  const arrivals: { atMs: number; torque: number[]; number: number }[] = [];
  for (let n = 0; n * periodMs < END_MS; n++) {
    const takenMs = n * periodMs;
    const isMissed = takenMs >= atMs && takenMs < atMs + lastsMs;
    if (isMissed && kind === 'hole') continue;
    const madeMs = isMissed ? atMs + lastsMs : takenMs;
    const readyMs = lumpMs === 0 ? madeMs : phaseMs + Math.ceil((madeMs - phaseMs) / lumpMs) * lumpMs;
    const last = arrivals.at(-1);
    const arrivesMs = Math.max((last?.atMs ?? 0) + (takenMs > atMs ? periodMs / drain : 0), readyMs + jitterMs * random() ** 3);
    if (last && last.number + last.torque.length === n && (arrivesMs === last.atMs || (lumpMs > 0 && arrivesMs - last.atMs < 0.2))) last.torque.push(torqueAt(takenMs));
    else arrivals.push({ atMs: arrivesMs, torque: [torqueAt(takenMs)], number: n });
  }
  return arrivals.map((arrival) => ({ ...arrival, torque: Float64Array.from(arrival.torque) }));
}
