/**
 * The families of pulls and how each is drawn. A draw says only what the physics is; the truth is measured afterwards.
 * Torques here in shares of the transducer's capacity until a pull is made.
 */
import type { SeededRandom } from '../random.ts';
import { pullClickWrench } from '../tools/click-wrench.ts';
import { runClutchDriver } from '../tools/clutch-driver.ts';
import { FALL_SHAPES, type FallShape } from '../tools/curve.ts';
import { pullDialWrench } from '../tools/dial-wrench.ts';
import { ordinaryOperator, type OperatorTraits } from '../tools/operator.ts';
import { truthOf, type Pull, type PullTruth } from '../tools/pull.ts';
import { pullSlipScrewdriver } from '../tools/slip-screwdriver.ts';

export const FAMILIES = [
  'clean-click', 'faint-click', 'tremor', 'easing-off', 'smooth', 'ccw', 'several', 'slip', 'clutch', 'cut',
] as const;
export type Family = (typeof FAMILIES)[number];

export const FAMILY_SIZES: Readonly<Record<Family, number>> = {
  'clean-click': 63, 'faint-click': 35, 'tremor': 35, 'easing-off': 35, 'smooth': 35, 'ccw': 28, 'several': 28, 'slip': 35,
  'clutch': 28, 'cut': 35,
};

/** What a record's pulls have in common: the bench. */
export interface Bench {
  /** N.m */
  readonly capacity: number;
  readonly rateHz: number;
  /** Set torque or target, N.m. */
  readonly set: number;
}

export interface DrawnPull {
  readonly pull: Pull;
  readonly truth: PullTruth;
  readonly direction: 'cw' | 'ccw';
}

const MAX_TORQUE_SHARE = 0.96;
const DRAWS = 200;

function handOperator(random: SeededRandom, changes: Partial<OperatorTraits> = {}): OperatorTraits {
  return {
    ...ordinaryOperator(random),
    riseS: random.betweenLog(0.4, 4),
    tremor: { share: random.happens(0.2) ? 0 : random.between(0.0002, 0.003), hz: random.between(8.6, 11.4) },
    atClick: random.happens(0.4) ? { kind: 'stop' } : { kind: 'go-on', overShare: random.between(0.1, 0.6) },
    surge: random.between(1, 2),
    letGoShape: random.pick<FallShape>(FALL_SHAPES),
    ...changes,
  };
}

interface ClickRange {
  /** Wanted depth of the fall as a share of the click torque. */
  readonly depth: readonly [number, number];
  /** Free travel, degrees. */
  readonly travelDeg: readonly [number, number];
}
const SOUND: ClickRange = { depth: [0.05, 0.35], travelDeg: [2.7, 3.3] };
const WORN: ClickRange = { depth: [0.02, 0.03], travelDeg: [0.6, 1.2] };

/** Torque stays below the click torque this long, s: 25 ms and five samples. What is shorter leaves no trace to judge by. */
function leastBelowS(bench: Bench): number {
  return Math.max(0.025, 5 / bench.rateHz);
}

/** Draws until the measured fall is what the family says. */
function clickPull(bench: Bench, random: SeededRandom, range: ClickRange, operator: () => OperatorTraits): DrawnPull {
  for (let draw = 0; draw < DRAWS; draw++) {
    const traits = operator();
    const travelS = random.between(0.008, 0.03);
    const travelDeg = random.between(...range.travelDeg);
    // What the hand adds while the handle travels makes the fall shallower than travel over wind-up.
    const wanted = random.betweenLog(...range.depth) + 0.6 * travelS * traits.surge / traits.riseS;
    const trip = bench.set * (1 + 0.01 * random.normal());
    if (trip > 0.955 * bench.capacity) continue;
    const ring = { share: random.happens(0.4) ? 0 : random.between(0.05, 0.25), hz: random.between(25, 80), decayS: random.between(0.008, 0.025) };
    const pull = pullClickWrench(
      { tripTorque: trip, freeTravelDeg: travelDeg, windUpDeg: travelDeg / wanted, travelS, fallShape: random.pick(FALL_SHAPES), ring },
      traits, random, MAX_TORQUE_SHARE * bench.capacity,
    );
    const truth = truthOf(pull);
    const isInRange = truth.clickDepth >= range.depth[0] && truth.clickDepth <= range.depth[1];
    if (isInRange && truth.belowClickS >= leastBelowS(bench)) return { pull, truth, direction: traits.direction };
  }
  throw new RangeError(`no click pull fits at ${bench.rateHz} S/s`);
}

function smoothPull(bench: Bench, random: SeededRandom, changes: Partial<OperatorTraits> = {}): DrawnPull {
  const traits = handOperator(random, {
    tremor: { share: random.happens(0.3) ? 0 : random.between(0.001, 0.005), hz: random.between(8.6, 11.4) },
    ...changes,
  });
  const target = Math.min(bench.set, 0.93 * bench.capacity);
  const holdS = random.happens(0.3) ? 0 : random.between(0.2, 2);
  const pull = pullDialWrench(
    { target, readingError: 0.01 * random.between(-1, 1), holdS, correction: random.between(0, 0.012) }, traits, random,
  );
  return { pull, truth: truthOf(pull), direction: traits.direction };
}

function slipPull(bench: Bench, random: SeededRandom): DrawnPull {
  for (let draw = 0; draw < DRAWS; draw++) {
    const traits = handOperator(random, { riseS: random.betweenLog(0.4, 2), holdS: random.between(0.1, 0.5) });
    const slips = random.integer(1, 5);
    const each = <Value>(make: () => Value): Value[] => Array.from({ length: slips }, make);
    const pull = pullSlipScrewdriver({
      slipTorques: each(() => Math.min(bench.set * (1 + 0.015 * random.normal()), 0.94 * bench.capacity)),
      depths: each(() => random.between(0.15, 0.55)),
      fallsS: each(() => random.between(0.008, 0.03)),
      fallShape: random.pick(FALL_SHAPES),
      toothDeg: random.pick([30, 36, 45]),
    }, traits, random);
    const truth = truthOf(pull);
    if (truth.belowClickS >= leastBelowS(bench)) return { pull, truth, direction: traits.direction };
  }
  throw new RangeError(`no slip fits at ${bench.rateHz} S/s`);
}

function clutchPull(bench: Bench, random: SeededRandom): DrawnPull {
  const direction = random.happens(0.2) ? 'ccw' as const : 'cw' as const;
  const pull = runClutchDriver({
    shutOffTorque: bench.set * (1 + 0.01 * random.normal()),
    prevailing: random.between(0.02, 0.1),
    runDownS: random.between(0.3, 1.5),
    riseS: random.betweenLog(0.03, 0.3),
    steepening: random.between(1, 1.7),
    shutOffS: random.between(0.003, 0.015),
    shutOffShape: random.pick(FALL_SHAPES),
    ratchet: random.between(0, 0.02),
    direction,
  }, random);
  return { pull, truth: truthOf(pull), direction };
}

function strongTremor(random: SeededRandom): Partial<OperatorTraits> {
  return { tremor: { share: random.between(0.003, 0.01), hz: random.between(8.6, 11.4) }, riseS: random.betweenLog(0.8, 4) };
}

function easingOff(random: SeededRandom): Partial<OperatorTraits> {
  return {
    easing: { at: random.between(0.55, 0.92), depth: random.between(0.03, 0.12), fallS: random.between(0.25, 0.6) },
    hesitation: null,
    riseS: random.betweenLog(0.8, 4),
  };
}

/** The pulls of one record, in order. */
export function drawPulls(family: Family, bench: Bench, random: SeededRandom): DrawnPull[] {
  switch (family) {
    case 'clean-click':
      return [clickPull(bench, random, SOUND, () => handOperator(random))];
    case 'faint-click':
      return [clickPull(bench, random, WORN, () => handOperator(random, {
        riseS: random.between(1.2, 4), surge: random.between(1, 1.3), tremor: { share: random.between(0, 0.0015), hz: random.between(8.6, 11.4) },
      }))];
    case 'tremor': // one in four has no click: tremor alone must not look like one
      return [random.happens(0.25)
        ? smoothPull(bench, random, strongTremor(random))
        : clickPull(bench, random, SOUND, () => handOperator(random, strongTremor(random)))];
    case 'easing-off': // one in six lets go without a click
      return [random.happens(1 / 6)
        ? smoothPull(bench, random, easingOff(random))
        : clickPull(bench, random, SOUND, () => handOperator(random, easingOff(random)))];
    case 'smooth':
      return [smoothPull(bench, random)];
    case 'ccw':
      return [
        ...(random.happens(0.3) ? [clickPull(bench, random, SOUND, () => handOperator(random))] : []),
        random.happens(0.3)
          ? smoothPull(bench, random, { direction: 'ccw' })
          : clickPull(bench, random, SOUND, () => handOperator(random, { direction: 'ccw' })),
      ];
    case 'several':
      return Array.from({ length: random.integer(2, 5) }, () => (random.happens(0.2)
        ? smoothPull(bench, random)
        : clickPull(bench, random, SOUND, () => handOperator(random, { riseS: random.betweenLog(0.4, 2) }))));
    case 'slip':
      return Array.from({ length: random.happens(0.2) ? 2 : 1 }, () => slipPull(bench, random));
    case 'clutch':
      return Array.from({ length: random.happens(0.2) ? 2 : 1 }, () => clutchPull(bench, random));
    case 'cut':
      return Array.from({ length: random.integer(1, 2) }, () => {
        const direction = random.happens(0.25) ? 'ccw' as const : 'cw' as const;
        return random.happens(0.3)
          ? smoothPull(bench, random, { direction })
          : clickPull(bench, random, SOUND, () => handOperator(random, { direction }));
      });
  }
}
