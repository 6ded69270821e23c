/** The samples of one cycle and all that is needed to derive its reading again, bit for bit. */
import type { CaptureSettings } from './capture-settings.ts';
import type { Conditioning } from './sample-block.ts';

export interface Trace {
  readonly id: string;
  readonly channel: string;
  readonly epoch: number;
  /** Index within the epoch of the first sample here. */
  readonly firstIndex: number;
  /** Wall time of the first sample, ms since 1970. */
  readonly startWallMs: number;
  readonly spacingMs: number;
  /** Nominal rate that capture counted in, S/s. */
  readonly rateHz: number;
  /** Values as the device sent them, from before the cycle to after its release. Unfiltered. */
  readonly device: Float64Array;
  readonly status: Uint8Array | null;
  readonly evidence: Evidence;
}

/** The numbers capture counted with, every one resolved. Torques in N.m, times in ms. */
export interface DetectorNumbers {
  readonly armTorque: number;
  readonly releaseTorque: number;
  readonly releaseMs: number;
  readonly minDurationMs: number;
  readonly maxDurationMs: number;
  readonly preRollMs: number;
  readonly clickFloor: number;
  /** Share of the torque before the fall. */
  readonly clickDepth: number;
  readonly clickFallMs: number;
  readonly clickConfirmMs: number;
}

/** Stored as JSON with the trace. */
export interface Evidence {
  /** Version of torsiond that captured it. */
  readonly software: string;
  /** Version of the capture mathematics; another one may make another reading of the same trace. */
  readonly captureVersion: number;
  readonly conditioning: Conditioning;
  /** As they were set, in their own unit. */
  readonly settings: CaptureSettings;
  readonly detector: DetectorNumbers;
  readonly transducer: {
    readonly serialNumber: string;
    /** N.m */
    readonly capacity: number;
    /** N.m or null */
    readonly lowestTorque: number | null;
    readonly calibrationDue: string | null;
    /** Expanded uncertainty, per cent of the value, and its coverage factor; null when unknown. */
    readonly uncertainty: { readonly percent: number; readonly k: number } | null;
  };
  /** Index in the trace at which the cycle began. */
  readonly cycleAt: number;
  /** How the reading was taken: by the cycle's end, by command, because the torque was still, or as a zero check. */
  readonly takenBy: 'cycle' | 'command' | 'still' | 'zero-check';
  /** For track readings: index in the trace of the last sample that counts. */
  readonly takenAt: number | null;
  /** Samples are missing shortly before the cycle. */
  readonly gapBefore: boolean;
  /** Torque that stood still beyond the release threshold before and after the cycle, N.m; null: none. */
  readonly restBefore: number | null;
  readonly restAfter: number | null;
  /** Nothing but short applications that follow each other, as those of an impulse tool: no click is looked for. */
  readonly isPulsed: boolean;
  readonly simulated: boolean;
  readonly timeEstimated: boolean;
}
