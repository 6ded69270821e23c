/** What the capture engine keeps of a cycle that runs. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction, InterruptReason } from '../../shared/reading.ts';
import type { Conditioning, GapReason } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import type { CycleRun } from './cycle-run.ts';

export interface Cycle {
  readonly direction: Direction;
  readonly startMs: number;
  readonly firstIndex: number;
  readonly conditioning: Conditioning;
  readonly settings: CaptureSettings;
  readonly numbers: DetectorNumbers;
  /** Length of the pre-roll, samples. */
  readonly cycleAt: number;
  /** Null in track, where the reading is taken by command or when still. */
  readonly run: CycleRun | null;
  readonly gapBefore: boolean;
  /** Samples since arming; of them up to the last above release; and in a row below it. */
  length: number;
  lastAbove: number;
  below: number;
  isTimeEstimated: boolean;
  isTaken: boolean;
  maximum: number;
}

/** What a gap makes of the cycle it falls in. */
export const GAP_REASONS: Record<GapReason, InterruptReason> = {
  'connected': 'gap', 'bad-sample': 'bad-sample', 'overload': 'overload', 'lost-samples': 'gap', 'silence': 'gap', 'settings': 'settings-changed',
};
