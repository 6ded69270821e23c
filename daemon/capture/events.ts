/** What capture says. Plain values; `index` is the sample's index within the epoch, times are monotonic ms. */
import type { Direction, DismissReason, InterruptReason, PulseReading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';

/** What a mode made of one cycle. Torques in N.m, signed, not rounded. */
export interface Capture {
  readonly value: number;
  readonly maximum: number;
  readonly direction: Direction;
  /** Only in first-peak. */
  readonly click?: boolean;
  /** Only in pulse. */
  readonly pulse?: PulseReading;
  readonly durationMs: number;
  readonly flags: readonly CaptureFlag[];
}
export type CaptureFlag = 'over-capacity' | 'overload' | 'unstable' | 'rate-too-low' | 'noisy' | 'spike' | 'filtered-step' | 'gap' | 'offset-at-rest';

export type CaptureEvent =
  /** `standing`: torque at rest, N.m; null unless loaded. */
  | { readonly kind: 'state'; readonly state: ChannelState; readonly standing: number | null; readonly atMs: number }
  | { readonly kind: 'cycle-started'; readonly epoch: number; readonly index: number; readonly atMs: number; readonly direction: Direction }
  | { readonly kind: 'click'; readonly index: number; readonly atMs: number; readonly torque: number }
  | CapturedEvent
  | ({ readonly kind: 'interrupted'; readonly reason: InterruptReason } & NoReading)
  | ({ readonly kind: 'dismissed'; readonly reason: DismissReason } & NoReading);

export interface CapturedEvent {
  readonly kind: 'captured';
  readonly capture: Capture;
  readonly trace: Omit<Trace, 'id'>;
}

/** Torque that gave no reading. */
export interface NoReading {
  readonly direction: Direction;
  readonly maximum: number;
  readonly epoch: number;
  readonly startMs: number;
  readonly durationMs: number;
}

/**
 * - `armed`: ready
 * - `cycle`: torque is applied
 * - `held`: the last reading is shown until the channel is armed again
 * - `loaded`: torque stands beyond the release threshold, where none should be
 */
export type ChannelState = 'armed' | 'cycle' | 'held' | 'loaded';
