/** An indicating wrench: the operator watches the dial, creeps up to the target, holds it there and lets go. No click. */
import type { SeededRandom } from '../random.ts';
import { fallen, KnotCurve } from './curve.ts';
import { effortKnots, signOf, tremorOf, type OperatorTraits } from './operator.ts';
import type { Pull } from './pull.ts';

export interface DialWrenchTraits {
  /** Where the operator wants the pointer, N.m. */
  readonly target: number;
  /** Reading error of eye and dial as a share of the target, signed; a percent or so (from memory). */
  readonly readingError: number;
  /** How long the pointer is held on the mark, s; a second or two (from memory). 0: a plain pull without a hold. */
  readonly holdS: number;
  /** The hand corrects while it holds, by up to this share of the target. */
  readonly correction: number;
}

export function pullDialWrench(wrench: DialWrenchTraits, traits: OperatorTraits, random: SeededRandom): Pull {
  const reached = wrench.target * (1 + wrench.readingError);
  const tremor = tremorOf(traits.tremor, random);
  const knots = effortKnots(traits, reached, reached, random).filter((knot) => knot.value < reached * 0.97);
  // The last few per cent are crept: the eye is on the pointer.
  let t = knots.at(-1)!.t + Math.max(0.12, ((reached - knots.at(-1)!.value) / reached) * traits.riseS * 1.5);
  knots.push({ t, value: reached });
  for (let left = wrench.holdS; left > 0; ) {
    const step = Math.min(left, random.between(0.35, 0.7));
    left -= step;
    t += step;
    knots.push({ t, value: reached * (1 + wrench.correction * random.between(-1, 0)) });
  }
  const effort = new KnotCurve(knots);
  const letGoAtS = t + 0.02;
  const durationS = letGoAtS + traits.letGoS;
  const sign = signOf(traits.direction);
  return {
    durationS,
    clickAtS: null,
    travelDegAt: () => 0,
    torqueAt(at) {
      if (at <= 0 || at >= durationS) return 0;
      return sign * effort.at(at) * tremor(at) * (1 - fallen(traits.letGoShape, (at - letGoAtS) / traits.letGoS));
    },
  };
}
