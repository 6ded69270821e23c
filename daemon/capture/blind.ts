/** Torque that may be on and cannot be judged, because it was on before the channel was armed or its cycle was cut. */
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { CaptureEvent } from './events.ts';

export class Blind {
  /** Something was said of this torque before. */
  readonly #isTold: boolean;
  #startMs = 0;
  /** Signed. */
  #maximum = 0;
  #length = 0;
  #below = 0;

  constructor(isTold: boolean) {
    this.#isTold = isTold;
  }

  /**
   * @param release torque below which it counts as released, N.m, once it has been so for `releaseCount` samples
   * @returns index after the sample with which blindness ends, or -1 when it goes on behind the block
   */
  pass(block: SampleBlock, from: number, release: number, releaseCount: number): number {
    const { torque } = block;
    if (this.#length === 0) this.#startMs = block.startMs + from * block.spacingMs;
    for (let i = from; i < torque.length; i++) {
      const magnitude = Math.abs(torque[i]!);
      if (magnitude > Math.abs(this.#maximum)) this.#maximum = torque[i]!;
      this.#length++;
      if (magnitude >= release) this.#below = 0;
      // Nothing was on from the start: the very next sample may arm.
      else if (++this.#below >= releaseCount || !this.#wasOn) return i + 1;
    }
    return -1;
  }

  /** Told once, at its end; null when there was nothing or it has been told. `last`: a block of its epoch. */
  event(last: SampleBlock): CaptureEvent | null {
    if (this.#isTold || !this.#wasOn) return null;
    return {
      kind: 'interrupted', reason: 'already-loaded', direction: this.#maximum < 0 ? 'ccw' : 'cw', epoch: last.epoch, maximum: this.#maximum,
      startMs: this.#startMs, durationMs: (this.#length * 1000) / last.rateHz,
    };
  }

  get #wasOn(): boolean {
    return this.#length > this.#below;
  }
}
