/**
 * The physics of a pull, stepped through in time. A hand winds up a spring (hand, arm, lever); the tool's mechanism sits
 * between spring and drive. All in torque: `hand` is what the spring would show if the tool stood still, `given` what the
 * tool has given way. Lever and spring swing as one mode of the second order, which is what the transducer sees:
 *
 *   y'' + 2 d w y' + w² y = w² (hand - given)
 *
 * Times of people are common knowledge of ergonomics: reaction 150-250 ms, physiological tremor 8-12 Hz. The mode
 * (40-250 Hz) is our own choice: a wrench of 0.1-2 kg m² effective inertia is slower, a short driver faster.
 */

/** Steps of the integration, s. The mode stays below 250 Hz: at least 40 steps a period. */
export const STEP_S = 1e-4;

export type Shape = 'line' | 'ease' | 'fast-first' | 'slow-first';

/** The hand goes to a level (N.m on the spring) in a time, on a shape. */
export interface Stroke {
  readonly to: number;
  readonly lastsS: number;
  readonly shape: Shape;
}

/** What gives way: at `torque` by `gives` N.m of the spring's wind-up, within `travelS`. */
export interface Trip {
  readonly torque: number;
  readonly gives: number;
  readonly travelS: number;
  /** The mechanism holds again and takes back what it gave, so that it can trip once more; 0: it stays. */
  readonly takesBackS?: number;
}

export interface PullPlan {
  readonly strokes: readonly Stroke[];
  /** Each trips once, in this order. */
  readonly trips: readonly Trip[];
  /** What the hand does once trip number `afterTrip` (from 0) came: in place of the strokes that are left. */
  readonly afterTrip: number;
  readonly reaction: readonly Stroke[];
  readonly modeHz: number;
  readonly damping: number;
  /** Tremor: share of the torque, Hz. */
  readonly tremor: { readonly share: number; readonly hz: number; readonly phase: number };
}

/** What came of it: torque on the grid of STEP_S, magnitudes, and when the mechanism gave way. */
export interface PulledTorque {
  readonly torque: Float64Array;
  readonly trippedAt: readonly number[];
}

function along(shape: Shape, x: number): number {
  switch (shape) {
    case 'line': return x;
    case 'ease': return 0.5 - 0.5 * Math.cos(Math.PI * x);
    case 'fast-first': return 1 - (1 - x) * (1 - x);
    case 'slow-first': return x * x;
  }
}

interface Giving {
  readonly trip: Trip;
  readonly from: number;
}

/** How far a trip's travel has come, 0 to 1, and back where it takes back. */
function givenOf({ trip, from }: Giving, t: number): number {
  const x = Math.min(1, (t - from) / trip.travelS);
  const gone = x * x * (3 - 2 * x);
  if (!trip.takesBackS) return trip.gives * gone;
  const back = Math.min(1, Math.max(0, (t - from - trip.travelS) / trip.takesBackS));
  return trip.gives * (gone - back * back * (3 - 2 * back));
}

export function pull(plan: PullPlan): PulledTorque {
  const w = 2 * Math.PI * plan.modeHz;
  const damp = 2 * plan.damping * w;
  const out: number[] = [];
  const trippedAt: number[] = [];
  const giving: Giving[] = [];
  let strokes = plan.strokes;
  let index = 0;
  let from = 0;
  let began = 0;
  let y = 0;
  let v = 0;
  for (let step = 0; ; step++) {
    const t = step * STEP_S;
    while (index < strokes.length && t - began >= strokes[index]!.lastsS) {
      from = strokes[index]!.to;
      began += strokes[index]!.lastsS;
      index++;
    }
    const stroke = strokes[index];
    const hand = stroke ? from + (stroke.to - from) * along(stroke.shape, (t - began) / stroke.lastsS) : from;
    const shaken = hand * (1 + plan.tremor.share * Math.sin(2 * Math.PI * plan.tremor.hz * t + plan.tremor.phase));
    let given = 0;
    for (const one of giving) given += givenOf(one, t);
    const drive = Math.max(0, shaken - given);
    const next = plan.trips[trippedAt.length];
    if (next && y >= next.torque) {
      trippedAt.push(t);
      giving.push({ trip: next, from: t });
      if (trippedAt.length - 1 === plan.afterTrip) {
        strokes = plan.reaction;
        index = 0;
        from = hand;
        began = t;
      }
    }
    v += STEP_S * (w * w * (drive - y) - damp * v);
    y += STEP_S * v;
    if (y < 0) { // a socket does not pull back: the drive lifts off
      y = 0;
      v = Math.max(0, v);
    }
    out.push(y);
    if (!stroke && drive === 0 && y < 1e-4 * Math.max(1e-9, plan.strokes[0]!.to)) break;
    if (t > 120) throw new RangeError('a pull does not end');
  }
  return { torque: Float64Array.from(out), trippedAt };
}

export interface PullFacts {
  /** s from the start of the pull; null without a trip. */
  readonly clickAtS: number | null;
  readonly clickTorque: number | null;
  readonly firstPeak: number;
  readonly maximum: number;
  readonly maximumAtS: number;
  /** Magnitude of the loading slope over the 2 ms before the first peak, and before the maximum, N.m/s. */
  readonly slope: number;
  readonly maximumSlope: number;
  /** Share of the click torque. */
  readonly depth: number;
  /** How long torque stays below the click torque, s. */
  readonly belowS: number;
}

const FALL_WINDOW_S = 0.04;
/** The mode follows the trip late: the crest comes within this. */
const CREST_S = 0.03;
const SLOPE_S = 0.002;

/** The truth of a noise-free torque whose mechanism gave way at `tripS`; null: it did not. */
export function factsOf(torque: Float64Array, tripS: number | null): PullFacts {
  let maximumAt = 0;
  for (let i = 1; i < torque.length; i++) if (torque[i]! > torque[maximumAt]!) maximumAt = i;
  const maximum = torque[maximumAt]!;
  const highest = { maximum, maximumAtS: maximumAt * STEP_S, maximumSlope: slopeBefore(torque, maximumAt) };
  if (tripS === null) {
    return { clickAtS: null, clickTorque: null, firstPeak: maximum, ...highest, slope: highest.maximumSlope, depth: 0, belowS: 0 };
  }
  // The crest: uphill from the trip until torque falls.
  let at = Math.round(tripS / STEP_S);
  const latest = at + Math.round(CREST_S / STEP_S);
  while (at + 1 < torque.length && at < latest && torque[at + 1]! >= torque[at]!) at++;
  const crest = torque[at]!;
  let bottom = crest;
  for (let i = at; i < Math.min(torque.length, at + FALL_WINDOW_S / STEP_S); i++) bottom = Math.min(bottom, torque[i]!);
  let below = at + 1;
  while (below < torque.length && torque[below]! < crest) below++;
  return {
    clickAtS: at * STEP_S, clickTorque: crest, firstPeak: crest, ...highest, slope: slopeBefore(torque, at),
    depth: 1 - bottom / crest, belowS: (below - at) * STEP_S,
  };
}

function slopeBefore(torque: Float64Array, at: number): number {
  const from = Math.max(0, at - Math.round(SLOPE_S / STEP_S));
  return at > from ? Math.abs(torque[at]! - torque[from]!) / ((at - from) * STEP_S) : 0;
}
