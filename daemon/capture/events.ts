/** What capture says. Plain values; `index` is the sample's index within the epoch, times are monotonic ms. */
import type { Direction, InterruptReason } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';

/** What a mode made of one cycle. Torques in N.m, signed, not rounded. */
export interface Capture {
  readonly value: number;
  readonly maximum: number;
  readonly direction: Direction;
  /** Only in first-peak. */
  readonly click?: boolean;
  readonly durationMs: number;
  readonly flags: readonly CaptureFlag[];
}
export type CaptureFlag = 'over-capacity' | 'overload' | 'unstable' | 'rate-too-low' | 'noisy' | 'spike' | 'filtered-step' | 'gap';

export type CaptureEvent =
  | { readonly kind: 'state'; readonly state: ChannelState; readonly atMs: number }
  | { readonly kind: 'cycle-started'; readonly epoch: number; readonly index: number; readonly atMs: number; readonly direction: Direction }
  | { readonly kind: 'click'; readonly index: number; readonly atMs: number; readonly torque: number }
  | { readonly kind: 'captured'; readonly capture: Capture; readonly trace: Omit<Trace, 'id'> }
  | {
      readonly kind: 'interrupted';
      readonly reason: InterruptReason;
      readonly direction: Direction;
      readonly maximum: number;
      readonly epoch: number;
      readonly startMs: number;
      readonly durationMs: number;
    }
  /** A touch too short or too low to be a cycle. Counted, not announced. */
  | { readonly kind: 'knock'; readonly atMs: number };

/** `armed`: ready; `cycle`: torque is applied; `held`: the last reading is shown until the channel is armed again. */
export type ChannelState = 'armed' | 'cycle' | 'held';
