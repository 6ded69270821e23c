/**
 * What one would write for a single channel with fixed settings and no blocks, gaps, traces or times: calibration and
 * zero, a low-pass of order 2, lone samples left out by a median of three (`daemon/capture/lone-samples.ts` says when),
 * arming, highest torque, release. Its `same arithmetic` is what the ratios of the bench are about; it looks for no click.
 */
export interface PlainSettings {
  readonly gain: number;
  readonly zero: number;
  readonly cutoffHz: number;
  readonly rateHz: number;
  readonly arm: number;
  readonly release: number;
  readonly releaseSamples: number;
  /** Samples from before the arming that the noise is learnt from. */
  readonly preRoll: number;
  /** N.m */
  readonly capacity: number;
}

const MEAN_OFF = 0.564;
const EVERY = 64;

/** @returns the peak of every cycle, signed */
export function plainPeaks(device: Float64Array, settings: PlainSettings): number[] {
  const { gain, zero, arm, release, releaseSamples, capacity } = settings;
  const k = Math.tan((Math.PI * settings.cutoffHz) / settings.rateHz);
  const norm = 1 / (1 + Math.SQRT2 * k + k * k);
  const b0 = k * k * norm;
  const b1 = 2 * b0;
  const b2 = b0;
  const a1 = 2 * (k * k - 1) * norm;
  const a2 = (1 - Math.SQRT2 * k + k * k) * norm;
  const peaks: number[] = [];
  let z1 = 0;
  let z2 = 0;
  let sign = 0;
  let peak = 0;
  let below = 0;
  let a = 0;
  let b = 0;
  let c = device[0]! * gain - zero;
  let sum = 0;
  let seen = 1;
  let limit = 0;
  let most = 0;
  for (let i = 1; i < device.length; i++) {
    const torque = device[i]! * gain - zero;
    let value = c;
    if (sign !== 0) {
      if (seen < EVERY || seen % EVERY === 0) {
        limit = (6 / MEAN_OFF) * (sum / seen);
        most = Math.max((4 * sum) / seen, 0.0005 * capacity);
      }
      const median = Math.max(Math.min(b, c), Math.min(Math.max(b, c), torque));
      const off = Math.abs(c - median);
      sum += Math.min(off, most);
      seen++;
      if (off > limit && off - 2 * Math.abs(b - a) > limit) value = median;
    }
    a = b;
    b = c;
    c = torque;
    const y = b0 * value + z1;
    z1 = b1 * value - a1 * y + z2;
    z2 = b2 * value - a2 * y;
    if (sign === 0) {
      if (torque < arm && torque > -arm) continue;
      sign = torque < 0 ? -1 : 1;
      peak = -Infinity;
      below = 0;
      ({ sum, seen } = noiseBefore(device, i, settings));
      limit = (6 / MEAN_OFF) * (sum / seen);
      most = Math.max((4 * sum) / seen, 0.0005 * capacity);
      continue;
    }
    if (sign * y > peak) peak = sign * y;
    if (sign * torque >= release) below = 0;
    else if (++below >= releaseSamples) {
      peaks.push(sign * peak);
      sign = 0;
    }
  }
  return peaks;
}

/** How far the samples before an arming lie off the median of three, summed up, and how many they are with the arming one. */
function noiseBefore(device: Float64Array, at: number, { gain, zero, preRoll, arm, capacity }: PlainSettings): { sum: number; seen: number } {
  let from = at;
  while (from > 0 && at - from < preRoll && Math.abs(device[from - 1]! * gain - zero) < arm) from--;
  let b = device[from]! * gain - zero;
  let c = b;
  let sum = 0;
  let seen = 1;
  let most = 0;
  for (let i = from + 1; i <= at; i++) {
    if (seen < EVERY || seen % EVERY === 0) most = Math.max((4 * sum) / seen, 0.0005 * capacity);
    const x = device[i]! * gain - zero;
    const median = Math.max(Math.min(b, c), Math.min(Math.max(b, c), x));
    sum += Math.min(Math.abs(c - median), most);
    seen++;
    b = c;
    c = x;
  }
  return { sum, seen };
}
