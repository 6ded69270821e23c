/**
 * A setting screwdriver whose cam slips at the set torque and catches again at the next tooth: torque falls abruptly
 * to what the catching tooth still holds, and rises again as the hand turns on.
 */
import type { SeededRandom } from '../random.ts';
import { fallen, firstCrossing, KnotCurve, type FallShape } from './curve.ts';
import { effortKnots, signOf, tremorOf, type OperatorTraits } from './operator.ts';
import type { Pull } from './pull.ts';

export interface SlipScrewdriverTraits {
  /** N.m, one for each slip of this pull, at least one: teeth differ a little. */
  readonly slipTorques: readonly number[];
  /** Share of the torque that is gone after each slip; as many as slips. The cam keeps half or more (from memory). */
  readonly depths: readonly number[];
  /** Duration of each fall, s: 8 to 30 ms (from memory); as many as slips. */
  readonly fallsS: readonly number[];
  readonly fallShape: FallShape;
  /** Angle from tooth to tooth, degrees (from memory: 8 to 12 teeth). */
  readonly toothDeg: number;
}

export function pullSlipScrewdriver(driver: SlipScrewdriverTraits, traits: OperatorTraits, random: SeededRandom): Pull {
  const set = driver.slipTorques[0]!;
  const tremor = tremorOf(traits.tremor, random);
  const speed = (set / traits.riseS) * traits.surge;
  const knots = effortKnots(traits, set, set * 1.05, random);
  // The hand turns on at its own speed for as long as the slips of this pull may take.
  const turns = driver.depths.reduce((sum, depth) => sum + depth, 0.3) * set * 1.3;
  knots.push({ t: knots.at(-1)!.t + turns / speed, value: knots.at(-1)!.value + turns });
  const hand = new KnotCurve(knots);

  const slips: { atS: number; fall: number; lastsS: number }[] = [];
  const slippedAt = (t: number): number => {
    let sum = 0;
    for (const slip of slips) sum += slip.fall * fallen(driver.fallShape, (t - slip.atS) / slip.lastsS);
    return sum;
  };
  for (const [i, torque] of driver.slipTorques.entries()) {
    const from = i === 0 ? 0 : slips[i - 1]!.atS + slips[i - 1]!.lastsS;
    const atS = firstCrossing((t) => hand.at(t) * tremor(t) - slippedAt(t), torque, from, hand.endS);
    if (atS === null) break;
    slips.push({ atS, fall: torque * driver.depths[i]!, lastsS: driver.fallsS[i]! });
  }
  if (slips.length === 0) throw new RangeError('the effort does not reach the slip torque');

  // The hand stops at its reaction time after the last slip, or short of the torque at which the next tooth would slip.
  const last = slips.at(-1)!;
  const settledS = last.atS + last.lastsS;
  const nextSlip = 0.96 * driver.slipTorques[slips.length - 1]!;
  const shortOfSlipS = firstCrossing((t) => hand.at(t) * tremor(t) - slippedAt(t), nextSlip, settledS, hand.endS) ?? hand.endS;
  const stopAtS = Math.min(Math.max(last.atS + traits.reactionS, settledS + 0.05), shortOfSlipS);
  const letGoAtS = Math.max(stopAtS, last.atS + traits.reactionS) + traits.holdS;
  const durationS = letGoAtS + traits.letGoS;
  const sign = signOf(traits.direction);
  return {
    durationS,
    clickAtS: slips[0]!.atS,
    travelDegAt: (t) => slips.reduce((sum, slip) => sum + driver.toothDeg * fallen(driver.fallShape, (t - slip.atS) / slip.lastsS), 0),
    torqueAt(t) {
      if (t <= 0 || t >= durationS) return 0;
      const held = Math.max(0, hand.at(Math.min(t, stopAtS)) * tremor(t) - slippedAt(t));
      return sign * held * (1 - fallen(traits.letGoShape, (t - letGoAtS) / traits.letGoS));
    },
  };
}
