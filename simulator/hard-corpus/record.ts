/** A record of the hard corpus: samples, and the truth of every application of torque in them, from the noise-free physics. */

/** The settings that a record wants, as a plain object: the corpus knows no type of the gateway. */
export interface HardSettings {
  readonly mode: 'peak' | 'first-peak' | 'pulse';
  readonly direction?: 'cw' | 'ccw' | 'both';
  /** Absolute limits, N.m. */
  readonly limits?: { readonly kind: 'absolute'; readonly target: number; readonly low: number; readonly high: number };
}

/**
 * - `reading`: one reading with the value of the mode.
 * - `reading-or-told`: that, or something told; never another value and never silence.
 * - `interrupted`: the record begins or ends in it: told as interrupted, no reading.
 * - `told`: no reading, but something is told (a direction that is not captured, a knock).
 * - `nothing`: nothing need be told; a reading is wrong.
 */
export type Expected = 'reading' | 'reading-or-told' | 'interrupted' | 'told' | 'nothing';

export interface HardCycle {
  /** From where torque leaves rest until it is back, s from the record's start. */
  readonly startS: number;
  readonly endS: number;
  readonly direction: 'cw' | 'ccw';
  readonly expected: Expected;
  /** Whether a mechanism gave way and held again; null where it has no meaning. */
  readonly click: boolean | null;
  /** Noise-free, signed, with what offset and drift add: what a perfect instrument on this channel would show. */
  readonly clickTorque: number | null;
  readonly clickAtS: number | null;
  /** What first-peak must show: at the first click, else the highest. */
  readonly firstPeakTruth: number;
  readonly maximumTruth: number;
  /** Magnitude of the loading slope over the 2 ms before the first peak, N.m/s. */
  readonly slopeNmPerS: number;
  /** Fall at the click within 40 ms, as a share of the click torque; 0 without a click. */
  readonly clickDepth: number;
  /** Hum and pink noise are torque that the sensor sees: they may move a reading by so much, N.m. */
  readonly swing: number;
  /** False where nobody could decide from the samples: then a reading needs a flag. Decided by the rules in rules.ts. */
  readonly decidable: boolean;
  /** A right reading of it should carry no flag. */
  readonly isClean: boolean;
  /** For impulse tools, in order. */
  readonly pulses?: readonly HardPulse[];
}

export interface HardPulse {
  /** Time of the crest, s from the record's start. */
  readonly atS: number;
  /** Noise-free height, signed, N.m. */
  readonly height: number;
  readonly widthS: number;
}

export interface HardRecord {
  readonly id: string;
  readonly family: string;
  readonly seed: number;
  readonly rateHz: number;
  /** N.m */
  readonly capacity: number;
  /** Standard deviation of the white part of the noise, N.m. */
  readonly noiseSigma: number;
  /** Step of the converter, N.m. */
  readonly lsb: number;
  /** N.m, counter-clockwise negative; sample i is stamped i / rateHz, whenever it was taken. */
  readonly samples: Float64Array;
  /** Per sample, 1 where the instrument reports overload; null when it reports nothing. */
  readonly status: Uint8Array | null;
  readonly settings: HardSettings;
  readonly cycles: readonly HardCycle[];
}
