/** Torque that may be on and cannot be judged, because it was on before the channel was armed or its cycle was cut. */
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import type { CaptureEvent } from './events.ts';
import type { RestWatch } from './rest-watch.ts';

export class Blind {
  /** Something was said of this torque before. */
  readonly #isTold: boolean;
  /** Released, or still below the arming threshold. */
  ending: 'released' | 'at-rest' | null = null;
  #startMs = 0;
  /** Signed. */
  #maximum = 0;
  #length = 0;
  #below = 0;

  constructor(isTold: boolean) {
    this.#isTold = isTold;
  }

  /**
   * Takes samples until blindness ends, and `ending` says how, or until what stands has changed.
   * @param releaseCount below the release torque for so many samples: released
   * @returns the index after the last sample taken
   */
  pass(block: SampleBlock, from: number, rest: RestWatch, numbers: DetectorNumbers, releaseCount: number): number {
    const { torque } = block;
    if (this.#length === 0) this.#startMs = block.startMs + from * block.spacingMs;
    let i = from;
    while (i < torque.length) {
      const start = i;
      i = this.#passSlice(torque, i, Math.min(torque.length, i + rest.left), numbers.releaseTorque, releaseCount);
      if (this.ending !== null) return i;
      if (!rest.take(torque, start, i, numbers, 0, Infinity)) continue;
      if (rest.isAtRest(numbers)) {
        this.ending = 'at-rest';
        return i;
      }
      if (rest.note(numbers, true)) return i;
    }
    return i;
  }

  #passSlice(torque: Float64Array, from: number, to: number, release: number, releaseCount: number): number {
    for (let i = from; i < to; i++) {
      const magnitude = Math.abs(torque[i]!);
      if (magnitude > Math.abs(this.#maximum)) this.#maximum = torque[i]!;
      this.#length++;
      if (magnitude >= release) this.#below = 0;
      // Nothing was on from the start: the very next sample may arm.
      else if (++this.#below >= releaseCount || !this.#wasOn) {
        this.ending = 'released';
        return i + 1;
      }
    }
    return to;
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
