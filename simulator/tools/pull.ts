/** One application of torque as physics gives it, before any sensor. */

export interface Pull {
  /** From the first torque to none, s. */
  readonly durationS: number;
  /** Torque on the transducer, N.m, counter-clockwise negative; 0 outside 0 ... durationS. Pure. */
  torqueAt(t: number): number;
  /** How far the tool's mechanism has given way, degrees; 0 for tools that do not. */
  travelDegAt(t: number): number;
  /** When a click wrench trips or a screwdriver first slips, s; null when neither happens. Torque crests here or at most a few ms later. */
  readonly clickAtS: number | null;
}

/** What is true of a pull, taken from the noise-free torque. Torques signed, N.m. */
export interface PullTruth {
  /** True for an abrupt fall that arrests. */
  readonly click: boolean;
  readonly clickTorque: number | null;
  readonly clickAtS: number | null;
  /** The torque at the click, or the highest when there is none. */
  readonly firstPeak: number;
  readonly firstPeakAtS: number;
  readonly maximum: number;
  /** Magnitude of the loading slope over the last 2 ms before the first peak, N.m/s. */
  readonly slope: number;
  /** Greatest fall within 40 ms after the click as a share of the torque at the click; 0 without a click. */
  readonly clickDepth: number;
  /** How long the torque stays below the torque at the click, s; 0 without a click. */
  readonly belowClickS: number;
}

/** A mechanism that begins to give way slowly lets torque rise a little longer: the crest is what a meter can see. */
function crestAfter(magnitude: (t: number) => number, tripAtS: number): number {
  const STEP_S = 1e-5;
  let at = tripAtS;
  while (at < tripAtS + 0.03 && magnitude(at + STEP_S) > magnitude(at)) at += STEP_S;
  return at;
}

/** Fine enough for every shape here: the quickest fall lasts 3 ms. */
const SCAN_STEP_S = 1e-4;

/** Scans the noise-free torque; the highest torque is refined to about 1e-9 of itself. */
export function truthOf(pull: Pull, fromS = 0, toS = pull.durationS): PullTruth {
  const magnitude = (t: number): number => Math.abs(pull.torqueAt(t));
  let topAt = fromS;
  let top = 0;
  for (let t = fromS; t <= toS; t += SCAN_STEP_S) {
    const torque = magnitude(t);
    if (torque > top) {
      top = torque;
      topAt = t;
    }
  }
  for (let step = SCAN_STEP_S / 2; step > 1e-8; step /= 2) {
    for (const t of [topAt - step, topAt + step]) {
      if (t >= fromS && t <= toS && magnitude(t) > top) {
        top = magnitude(t);
        topAt = t;
      }
    }
  }
  const clickAtS = pull.clickAtS === null ? null : crestAfter(magnitude, pull.clickAtS);
  if (clickAtS !== null && magnitude(clickAtS) >= top) {
    top = magnitude(clickAtS);
    topAt = clickAtS;
  }
  const sign = Math.sign(pull.torqueAt(topAt)) || 1;
  const firstPeakAtS = clickAtS ?? topAt;
  const slope = Math.max(0, (magnitude(firstPeakAtS - 1e-5) - magnitude(firstPeakAtS - 2.01e-3)) / 2e-3);
  if (clickAtS === null) {
    return {
      click: false, clickTorque: null, clickAtS: null, firstPeak: sign * top, firstPeakAtS, maximum: sign * top, slope,
      clickDepth: 0, belowClickS: 0,
    };
  }
  const atClick = magnitude(clickAtS);
  let lowest = atClick;
  for (let t = clickAtS; t <= clickAtS + 0.04; t += SCAN_STEP_S) lowest = Math.min(lowest, magnitude(t));
  let back = clickAtS + SCAN_STEP_S;
  while (back < pull.durationS && magnitude(back) < atClick) back += SCAN_STEP_S;
  return {
    click: true, clickTorque: sign * atClick, clickAtS: clickAtS, firstPeak: sign * atClick, firstPeakAtS,
    maximum: sign * top, slope, clickDepth: 1 - lowest / atClick, belowClickS: back - clickAtS,
  };
}
