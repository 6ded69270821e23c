/**
 * What flows through the gateway: consecutive samples of one channel with their time base. One emission of an
 * observable is one block, never one sample.
 */
import type { SignalScale } from './signal.ts';

/** Why the samples of a block do not continue those of the block before. Nothing is ever interpolated across it. */
export type GapReason = 'connected' | 'bad-sample' | 'overload' | 'lost-samples' | 'silence' | 'settings';

/** Bits of the per-sample status that a device reports beside its values. */
export const STATUS = { overload: 1, unstable: 2 } as const;

/** No device value is larger, in whatever unit: beyond it nothing is a torque, and a calibration or a filter could overflow. */
export const LARGEST_VALUE = 1e15;

/** Samples as the device sent them, stamped. Made by the sample clock. */
export interface DeviceBlock {
  /** Channel id, for example `bench-a/1`. */
  readonly channel: string;
  /** Counts the connections of the instrument; +1 on every new one. */
  readonly epoch: number;
  /** Index within the epoch of the first sample here. Bad samples take an index too, so a jump is a gap. */
  readonly firstIndex: number;
  /** Set when the block does not continue the one before it. */
  readonly gap: GapReason | null;
  /** Monotonic time of the first sample, ms. */
  readonly startMs: number;
  /** Distance of samples, ms. */
  readonly spacingMs: number;
  /** Nominal sample rate of the epoch, S/s: declared or measured once, then fixed. Capture counts in it. */
  readonly rateHz: number;
  /** True when the times inside were spread by the nominal rate because no clock fit exists yet. */
  readonly timeEstimated: boolean;
  /** UCUM code when the device names its unit, else null: the channel's settings decide. */
  readonly unit: string | null;
  /** Values in the device's unit, exactly as sent. */
  readonly device: Float64Array;
  /** STATUS bits per sample, or null when all are clean. */
  readonly status: Uint8Array | null;
}

/** Samples after conditioning. Made by the conditioner, one `conditioning` for the whole block. */
export interface SampleBlock extends DeviceBlock {
  /** Torque in N.m: calibrated and zeroed, not filtered. Counter-clockwise is negative. */
  readonly torque: Float64Array;
  /** How `device` became `torque`; applied to a stored trace it gives the same torque, bit for bit. */
  readonly conditioning: Conditioning;
}

/** A plain description of the way from device values to torque, stored with each trace. */
export interface Conditioning {
  /** UCUM code of the device values, or of what `signal` makes of them. */
  readonly unit: string;
  /** For devices that send the signal of the bridge: applied first. */
  readonly signal?: SignalScale;
  /** Applied to the value in N.m, before the zero. */
  readonly calibration: CalibrationCurve;
  /** Subtracted after the calibration, N.m. */
  readonly zero: number;
  /** -1 turns the sense of rotation, +1 keeps it. */
  readonly sign: 1 | -1;
}

/**
 * From device value x to torque.
 * - `none`: x times the unit's factor
 * - `factor`: that times `factor`
 * - `polynomial`: sum of coefficients[i] * u^i, u in N.m
 * - `points`: linear between pairs [indicated, true] in N.m, extended beyond the ends by the last segments
 */
export type CalibrationCurve =
  | { readonly kind: 'none' }
  | { readonly kind: 'factor'; readonly factor: number }
  | { readonly kind: 'polynomial'; readonly coefficients: readonly number[] }
  | { readonly kind: 'points'; readonly points: readonly (readonly [number, number])[] };
