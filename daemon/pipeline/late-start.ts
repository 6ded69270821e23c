/**
 * Stands in for capture while a replay cannot capture yet: the recording begins in the midst of a cycle, whose beginning it
 * does not hold. What torque was on is told as `already-loaded`, never judged.
 */
import type { CaptureEvent } from '../capture/events.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';

export class LateStart {
  #last: SampleBlock | null = null;
  #startMs = 0;
  #length = 0;
  /** Signed, N.m. */
  #maximum = 0;

  take(block: SampleBlock): void {
    if (this.#length === 0) this.#startMs = block.startMs;
    this.#last = block;
    this.#length += block.torque.length;
    for (const torque of block.torque) if (Math.abs(torque) > Math.abs(this.#maximum)) this.#maximum = torque;
  }

  /** @param least magnitude that is worth telling, N.m */
  events(least: number): CaptureEvent[] {
    const last = this.#last;
    if (last === null || Math.abs(this.#maximum) < least) return [];
    return [{
      kind: 'interrupted', reason: 'already-loaded', direction: this.#maximum < 0 ? 'ccw' : 'cw', epoch: last.epoch, maximum: this.#maximum,
      startMs: this.#startMs, durationMs: (this.#length * 1000) / last.rateHz,
    }];
  }
}
