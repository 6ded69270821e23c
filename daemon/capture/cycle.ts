/** What the capture engine keeps of torque that is on. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction } from '../../shared/reading.ts';
import type { Conditioning } from '../../shared/sample-block.ts';
import type { CycleRun } from './cycle-run.ts';

/** A cycle that runs. */
export interface Cycle {
  readonly direction: Direction;
  readonly startMs: number;
  readonly firstIndex: number;
  readonly conditioning: Conditioning;
  readonly settings: CaptureSettings;
  /** Length of the pre-roll, samples. */
  readonly cycleAt: number;
  /** Null in track, where the reading is taken by command or when still. */
  readonly run: CycleRun | null;
  readonly hasGapBefore: boolean;
  /** Samples since arming; of them up to the last above release; and in a row below it. */
  length: number;
  lastAbove: number;
  below: number;
  isTimeEstimated: boolean;
  isTaken: boolean;
  maximum: number;
}

/** Torque that is on and cannot be judged. Told at its end unless something was said of it before. */
export interface Blind {
  readonly direction: Direction;
  readonly startMs: number;
  readonly isTold: boolean;
  maximum: number;
  length: number;
  below: number;
}
