/** Holes and delays through real drivers, counted by driver and rate. */
import { HOLE_DEVICES, type HoleDevice } from '../helpers/hole-drivers.ts';
import type { HolePlan } from '../helpers/hole-plan.ts';
import { runHole, strangers, verdicts, type HoleCase, type HoleOutcome } from '../helpers/hole-run.ts';
import { seeded } from '../helpers/seeded.ts';

export interface HoleTally {
  /** Disturbances. */
  runs: number;
  /** Pulls that a hole lay in … */
  touched: number;
  /** … and of which there is no reading, as it should be. */
  cut: number;
  /** Readings across a hole, or of anything that was not pulled. */
  across: number;
  /** Pulls that no hole lay in … */
  innocent: number;
  /** … and of which there is not exactly one reading. */
  lost: number;
}

export interface HoleMiss {
  readonly holeCase: HoleCase;
  readonly outcome: HoleOutcome;
  readonly what: string;
}

export interface HoleScore {
  readonly tally: HoleTally;
  readonly misses: readonly HoleMiss[];
}

export const RATE_CLASSES = [
  { name: '10 to 100', fits: (rateHz: number) => rateHz <= 100 },
  { name: '500 to 2000', fits: (rateHz: number) => rateHz > 100 && rateHz <= 2_000 },
  { name: '5000 to 20000', fits: (rateHz: number) => rateHz > 2_000 },
] as const;

export { HOLE_DEVICES };

export const newTally = (): HoleTally => ({ runs: 0, touched: 0, cut: 0, across: 0, innocent: 0, lost: 0 });

/** Longest hole and longest delay, ms. */
const LONGEST_HOLE_MS = 3_000;
const LONGEST_DELAY_MS = 1_900;
/** The fast ones take long; each rate is there all the same. */
const FASTEST_EVERY = 12;

/** The same for the same seed. */
export function holeCases(device: HoleDevice, kind: HolePlan['kind'], count: number, seed: number): HoleCase[] {
  const random = seeded(seed);
  const pick = <Value>(values: readonly Value[]): Value => values[Math.floor(random() * values.length)]!;
  const longestMs = kind === 'hole' ? LONGEST_HOLE_MS : LONGEST_DELAY_MS;
  const slower = device.ratesHz.filter((rateHz) => rateHz < 20_000);
  return Array.from({ length: count }, (_, i) => {
    const rateHz = slower.length < device.ratesHz.length && i % FASTEST_EVERY === 0 ? 20_000 : pick(slower);
    const lumpMs = device.kind === 'pushed' && rateHz >= 500 ? pick(rateHz >= 20_000 ? [1, 4, 16] : [0, 1, 4, 16]) : 0;
    const jitterMs = device.kind === 'pushed' ? pick([0.2, 1, 5]) : pick([0.2, 1, 3]);
    const leastMs = Math.max(2.2 * (1_000 / rateHz), kind === 'hole' ? 10 + jitterMs + lumpMs : 5);
    const plan: HolePlan = {
      rateHz, kind, lumpMs, jitterMs,
      lastsMs: leastMs * (longestMs / leastMs) ** random(),
      atMs: 1_500 + 3_500 * random(),
      seed: seed + i,
      drain: kind === 'delay' ? pick([Infinity, 10, 3]) : Infinity,
    };
    return { device, plan, isRateDeclared: random() < 0.5, isDeaf: random() < 0.5, timeoutMs: pick(kind === 'hole' ? [50, 200, 500] : [200, 500]) };
  });
}

export async function scoreHoles(cases: readonly HoleCase[]): Promise<HoleScore> {
  const tally = newTally();
  const misses: HoleMiss[] = [];
  for (const holeCase of cases) {
    const outcome = await runHole(holeCase);
    const miss = (what: string): unknown => misses.push({ holeCase, outcome, what });
    tally.runs++;
    const odd = strangers(outcome, holeCase.plan.rateHz).length;
    tally.across += odd;
    if (odd > 0) miss('a reading of what was not pulled');
    for (const { pull, isTouched, readings } of verdicts(outcome)) {
      if (isTouched === true) {
        tally.touched++;
        tally.across += readings;
        if (readings === 0) tally.cut++;
        else miss(`the pull to ${pull.torque} N.m was judged across a hole`);
      } else if (isTouched === false) {
        tally.innocent++;
        if (readings !== 1) {
          tally.lost++;
          miss(`the pull to ${pull.torque} N.m was lost, or there twice`);
        }
      }
    }
    if (holeCase.plan.kind !== 'delay') continue;
    if (outcome.missing > 0) miss('samples count as missing');
    if (outcome.interrupted.length > 0 || outcome.readings.some(({ flags }) => flags.includes('gap'))) miss('a gap is told');
  }
  return { tally, misses };
}

export function toldMiss({ holeCase: { device, ...rest }, outcome, what }: HoleMiss): string {
  const readings = outcome.readings.map(({ value, durationMs, flags }) => [value, durationMs, flags]);
  return `${device.name}: ${what} ${JSON.stringify({ ...rest, ...outcome, readings })}`;
}
