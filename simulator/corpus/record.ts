/** A recorded stretch of torque whose truth is known, because physics made it. */

export interface CorpusCycle {
  /** First and last torque of the cycle, s from the record's start; clipped to the record when cut. */
  readonly startS: number;
  readonly endS: number;
  readonly direction: 'cw' | 'ccw';
  /** The record begins or ends inside this cycle; what would have been its reading is not known. */
  readonly interrupted: boolean;
  /** Whether torque broke abruptly and arrested; null when interrupted. */
  readonly click: boolean | null;
  /** Noise-free torque at the click, N.m, signed; null without a click. */
  readonly clickTorque: number | null;
  readonly clickAtS: number | null;
  /** Noise-free torque at the click, or the highest when there is none, N.m, signed. When interrupted: the highest seen. */
  readonly firstPeakTruth: number;
  /** Highest noise-free torque, N.m, signed. */
  readonly maximumTruth: number;
  /** Magnitude of the loading slope over the 2 ms before the first peak, N.m/s. */
  readonly slopeNmPerS: number;
  /** Greatest fall within 40 ms after the click, as a share of the click torque; 0 without a click. */
  readonly clickDepth: number;
}

export interface CorpusRecord {
  readonly id: string;
  readonly family: string;
  readonly seed: number;
  readonly rateHz: number;
  /** N.m */
  readonly capacity: number;
  /** Standard deviation of the sensor's noise, N.m. */
  readonly noiseSigma: number;
  /** Step of the sensor's values, N.m. */
  readonly lsb: number;
  /** N.m, counter-clockwise negative, as the quantised sensor gives them; sample i at i / rateHz. */
  readonly samples: Float64Array;
  readonly cycles: readonly CorpusCycle[];
}

/** The record as a trace file: `time_s,torque_Nm`, every digit that the numbers have. */
export function recordToCsv(record: CorpusRecord): string {
  const lines = ['time_s,torque_Nm'];
  record.samples.forEach((torque, i) => lines.push(`${i / record.rateHz},${torque}`));
  return `${lines.join('\n')}\n`;
}
