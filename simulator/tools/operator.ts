/** The person who pulls. Effort is torque as the hand would give it against a tool that never gives way. */
import type { SeededRandom } from '../random.ts';
import type { FallShape, Knot } from './curve.ts';

export interface OperatorTraits {
  /** From first touch to the tool's set torque, s. ISO 6789 practice asks for an even 0.5 to 4 s (from memory). */
  readonly riseS: number;
  /** Amplitude as a share of the torque. Hands tremble at 8 to 12 Hz, up to about 1 % (common practice). */
  readonly tremor: { readonly share: number; readonly hz: number };
  /** Unevenness of the pull speed, 0: even, 0.3: plainly uneven. */
  readonly unevenness: number;
  /** Eases off once by this share of the torque, over this long, then pulls on; `at` as a share of the set torque. */
  readonly easing: { readonly at: number; readonly depth: number; readonly fallS: number } | null;
  /** Stops pulling for a while; `at` as a share of the set torque. */
  readonly hesitation: { readonly at: number; readonly lastsS: number } | null;
  /** From the click to the hand's answer, s. Simple human reaction takes 0.15 to 0.35 s (common practice). */
  readonly reactionS: number;
  /** What the hand does then. Going on over-torques the joint by tens of per cent (domain facts, common practice). */
  readonly atClick: { readonly kind: 'stop' } | { readonly kind: 'go-on'; readonly overShare: number };
  /** How much faster the hand goes once the tool gives way, as a factor. */
  readonly surge: number;
  /** Pause before the hand lets go, s. */
  readonly holdS: number;
  /** Letting go takes 60 to 250 ms (from memory). */
  readonly letGoS: number;
  readonly letGoShape: FallShape;
  readonly direction: 'cw' | 'ccw';
}

export function signOf(direction: 'cw' | 'ccw'): 1 | -1 {
  return direction === 'cw' ? 1 : -1;
}

/** A person like any other on a working day. */
export function ordinaryOperator(random: SeededRandom): OperatorTraits {
  return {
    riseS: random.betweenLog(0.6, 2.5),
    tremor: { share: random.between(0.0005, 0.003), hz: random.between(8.6, 11.4) },
    unevenness: random.between(0.02, 0.25),
    easing: null,
    hesitation: random.happens(0.15) ? { at: random.between(0.4, 0.85), lastsS: random.between(0.15, 0.5) } : null,
    reactionS: random.between(0.15, 0.35),
    atClick: random.happens(0.5) ? { kind: 'stop' } : { kind: 'go-on', overShare: random.between(0.1, 0.35) },
    surge: random.between(1, 1.8),
    holdS: random.between(0.05, 0.4),
    letGoS: random.between(0.06, 0.25),
    letGoShape: random.pick(['cosine', 'exponential', 'linear', 'accelerating'] as const),
    direction: 'cw',
  };
}

/**
 * Knots of the effort from nothing to `top` (N.m), which is reached at the pull's even speed after the set torque
 * `set` (N.m) was passed, with the easing and the hesitation on the way.
 */
export function effortKnots(traits: OperatorTraits, set: number, top: number, random: SeededRandom): Knot[] {
  const speed = set / traits.riseS;
  const shares = [0.08, 0.2, 0.34, 0.48, 0.62, 0.76, 0.9].map((share) => share + random.between(-0.03, 0.03));
  const knots: Knot[] = [{ t: 0, value: 0 }];
  // Getting hold of the tool: the first few per cent come slower than the rest.
  let t = 0.05 + 0.1 * traits.riseS;
  let previous = 0;
  const pending: { at: number; add: (value: number) => void }[] = [];
  const { easing, hesitation } = traits;
  if (easing) {
    pending.push({
      at: easing.at,
      add: (value) => {
        t += easing.fallS;
        knots.push({ t, value: value * (1 - easing.depth) });
        t += (value * easing.depth) / speed + 0.05;
        knots.push({ t, value: value * 1.001 });
      },
    });
  }
  if (hesitation) {
    pending.push({
      at: hesitation.at,
      add: (value) => {
        t += hesitation.lastsS;
        knots.push({ t, value: value * 1.0005 });
      },
    });
  }
  pending.sort((a, b) => a.at - b.at);
  const stops = [...shares, ...pending.map((entry) => entry.at), top / set].sort((a, b) => a - b);
  for (const share of stops) {
    if (share > top / set) break;
    const special = pending.find((entry) => entry.at === share);
    const gap = share - previous;
    if (gap < 0.01 && !special) continue;
    t += (Math.max(gap, 0.002) * set / speed) * (1 + traits.unevenness * random.between(-1, 1));
    knots.push({ t, value: Math.max(share * set, knots.at(-1)!.value + 1e-6 * set) });
    previous = share;
    special?.add(knots.at(-1)!.value);
  }
  return knots;
}

/** A multiplier around 1: tremor whose rate and strength wander a little and never exceed the stated ones by much. */
export function tremorOf(tremor: OperatorTraits['tremor'], random: SeededRandom): (t: number) => number {
  if (tremor.share === 0) return () => 1;
  const phase = random.between(0, 2 * Math.PI);
  const wander = random.between(0, 2 * Math.PI);
  return (t) => {
    const slow = Math.sin(2 * Math.PI * 0.7 * t + wander);
    // 0.1 cycles of phase wander at 0.7 Hz shift the rate by at most 0.44 Hz.
    return 1 + tremor.share * (0.8 + 0.2 * slow) * Math.sin(2 * Math.PI * (tremor.hz * t + 0.1 * slow) + phase);
  };
}
