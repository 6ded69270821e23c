/**
 * A setting wrench. Up to the set torque it is a rigid lever; then its spring-loaded mechanism gives way, the handle
 * moves freely by about 3 degrees, and torque rises again when the mechanism meets its stop and the hand goes on.
 *
 * Hand, arms and lever together are a torsion spring: torque = stiffness * (hand angle - free travel). So the fall at
 * the click is stiffness * travel, and a stiffer operator sees a deeper one.
 */
import type { SeededRandom } from '../random.ts';
import { fallen, firstCrossing, KnotCurve, type FallShape, type Knot } from './curve.ts';
import { effortKnots, signOf, tremorOf, type OperatorTraits } from './operator.ts';
import type { Pull } from './pull.ts';

export interface ClickWrenchTraits {
  /** N.m; where it trips in this pull, the tool's own scatter included. */
  readonly tripTorque: number;
  /** Degrees. About 3 for a sound mechanism (domain facts, common practice), less when it is worn. */
  readonly freeTravelDeg: number;
  /** Degrees of hand movement from nothing to the trip torque: bending of lever, arms and body (10 to 60, from memory). */
  readonly windUpDeg: number;
  /** How long the handle takes through its free travel, s: inertia of lever and arm against the torque, 8 to 30 ms. */
  readonly travelS: number;
  readonly fallShape: FallShape;
  /** The mechanism rings on its stop: amplitude as a share of the fall, rate in Hz, decay in s (from memory). */
  readonly ring: { readonly share: number; readonly hz: number; readonly decayS: number };
}

/** `limit`: what the operator will not exceed, N.m (a transducer's capacity, say). */
export function pullClickWrench(wrench: ClickWrenchTraits, traits: OperatorTraits, random: SeededRandom, limit = Infinity): Pull {
  const trip = wrench.tripTorque;
  const stiffness = trip / wrench.windUpDeg;
  const fall = stiffness * wrench.freeTravelDeg;
  const tremor = tremorOf(traits.tremor, random);
  // As if the tool never gave way: far enough beyond the trip that tremor cannot keep the torque below it.
  const knots = effortKnots(traits, trip, trip * 1.1, random);
  const loading = new KnotCurve(knots);
  const clickAtS = firstCrossing((t) => loading.at(t) * tremor(t), trip, 0, loading.endS);
  if (clickAtS === null) throw new RangeError('the effort does not reach the trip torque');
  const speed = trip / traits.riseS * traits.surge;

  const atClick = loading.at(clickAtS);
  const answerAtS = clickAtS + traits.reactionS;
  const after: Knot[] = [{ t: clickAtS, value: atClick }];
  const ceiling = limit + fall;
  // Before the hand answers it has gone on; nobody gets beyond 1.6 times the click (domain facts: tens of per cent).
  const carried = Math.min(atClick + speed * traits.reactionS, 1.6 * atClick, Math.max(atClick * 1.0005, ceiling));
  after.push({ t: clickAtS + Math.max((carried - atClick) / speed, 0.03), value: carried });
  if (traits.atClick.kind === 'go-on') {
    const top = Math.min(trip * (1 + traits.atClick.overShare) + fall, ceiling);
    if (top > carried * 1.001) after.push({ t: after.at(-1)!.t + ((top - carried) / speed) * 1.2, value: top });
  }
  const letGoAtS = Math.max(after.at(-1)!.t + traits.holdS, answerAtS);
  const going = new KnotCurve(after, speed);
  const durationS = letGoAtS + traits.letGoS;
  const sign = signOf(traits.direction);

  const travelAt = (t: number): number => fallen(wrench.fallShape, (t - clickAtS) / wrench.travelS);
  const ringAt = (t: number): number => {
    const since = t - clickAtS - wrench.travelS;
    return since <= 0 ? 0 : -wrench.ring.share * fall * Math.exp(-since / wrench.ring.decayS) * Math.sin(2 * Math.PI * wrench.ring.hz * since);
  };
  return {
    durationS,
    clickAtS,
    travelDegAt: (t) => (t > durationS ? 0 : wrench.freeTravelDeg * travelAt(t)),
    torqueAt(t) {
      if (t <= 0 || t >= durationS) return 0;
      if (t <= clickAtS) return sign * loading.at(t) * tremor(t);
      const held = going.at(t) * tremor(t) - fall * travelAt(t) + ringAt(t);
      return sign * Math.max(0, held) * (1 - fallen(traits.letGoShape, (t - letGoAtS) / traits.letGoS));
    },
  };
}
