/** What one would write for a single channel with fixed settings and no blocks, gaps, traces or times. */
export interface PlainSettings {
  readonly gain: number;
  readonly zero: number;
  readonly order: 2 | 4;
  readonly cutoffHz: number;
  readonly rateHz: number;
  readonly arm: number;
  readonly release: number;
  readonly releaseSamples: number;
}

/** @returns the peak of every cycle, signed */
export function plainPeaks(device: Float64Array, settings: PlainSettings): number[] {
  return settings.order === 2 ? peaksOfOrder2(device, settings) : peaksOfOrder4(device, settings);
}

/** Butterworth section by the bilinear transform; `damping` is 1/Q. */
function section(settings: PlainSettings, damping: number): { b0: number; b1: number; b2: number; a1: number; a2: number } {
  const k = Math.tan((Math.PI * settings.cutoffHz) / settings.rateHz);
  const norm = 1 / (1 + damping * k + k * k);
  return { b0: k * k * norm, b1: 2 * k * k * norm, b2: k * k * norm, a1: 2 * (k * k - 1) * norm, a2: (1 - damping * k + k * k) * norm };
}

function peaksOfOrder2(device: Float64Array, settings: PlainSettings): number[] {
  const { gain, zero, arm, release, releaseSamples } = settings;
  const { b0, b1, b2, a1, a2 } = section(settings, Math.SQRT2);
  const peaks: number[] = [];
  let z1 = 0;
  let z2 = 0;
  let sign = 0;
  let peak = 0;
  let below = 0;
  for (let i = 0; i < device.length; i++) {
    const torque = device[i]! * gain - zero;
    const y = b0 * torque + z1;
    z1 = b1 * torque - a1 * y + z2;
    z2 = b2 * torque - a2 * y;
    if (sign === 0) {
      if (torque < arm && torque > -arm) continue;
      sign = torque < 0 ? -1 : 1;
      peak = sign * y;
      below = 0;
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

function peaksOfOrder4(device: Float64Array, settings: PlainSettings): number[] {
  const { gain, zero, arm, release, releaseSamples } = settings;
  const { b0, b1, b2, a1, a2 } = section(settings, 2 * Math.sin((3 * Math.PI) / 8));
  const { b0: c0, b1: c1, b2: c2, a1: d1, a2: d2 } = section(settings, 2 * Math.sin(Math.PI / 8));
  const peaks: number[] = [];
  let z1 = 0;
  let z2 = 0;
  let z3 = 0;
  let z4 = 0;
  let sign = 0;
  let peak = 0;
  let below = 0;
  for (let i = 0; i < device.length; i++) {
    const torque = device[i]! * gain - zero;
    const u = b0 * torque + z1;
    z1 = b1 * torque - a1 * u + z2;
    z2 = b2 * torque - a2 * u;
    const y = c0 * u + z3;
    z3 = c1 * u - d1 * y + z4;
    z4 = c2 * u - d2 * y;
    if (sign === 0) {
      if (torque < arm && torque > -arm) continue;
      sign = torque < 0 ? -1 : 1;
      peak = sign * y;
      below = 0;
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
