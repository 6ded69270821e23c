/** Between cycles: looks for the sample that arms, measures the noise, and watches what stands at rest. */
import type { DetectorNumbers } from '../../shared/trace.ts';
import { IdleNoise } from './idle-noise.ts';
import type { RestWatch } from './rest-watch.ts';

/** Standing torque is watched from this share of the release torque on: a channel at rest near zero costs one look per slice. */
const NEAR = 0.5;

export class Armed {
  readonly #noise: IdleNoise;
  /** Sigma of the idle channel, N.m, as it was measured last; null: nothing new. Valid from the end of a slice on. */
  newNoise: number | null = null;
  /** Why `pass` came back: the next sample arms, a slice with news is over, or the samples are. */
  ending: 'arms' | 'slice' | null = null;

  /** @param noiseWindow samples that one estimate of the noise takes; 0: never */
  constructor(noiseWindow: number) {
    this.#noise = new IdleNoise(noiseWindow);
  }

  snapshot() {
    return { noise: this.#noise.snapshot(), newNoise: this.newNoise };
  }

  restore(state: ReturnType<Armed['snapshot']>): void {
    this.#noise.restore(state.noise);
    this.newNoise = state.newNoise;
  }

  /** The samples do not continue those before. */
  restart(): void {
    this.#noise.restart();
  }

  /** @returns the index after the last sample taken */
  pass(torque: Float64Array, from: number, rest: RestWatch, numbers: DetectorNumbers): number {
    const count = torque.length;
    // What stands is no pull; one begins clear of that.
    const standing = rest.standing ?? 0;
    const up = Math.max(numbers.armTorque, standing + numbers.releaseTorque);
    const down = Math.min(-numbers.armTorque, standing - numbers.releaseTorque);
    this.ending = null;
    let i = from;
    while (i < count) {
      const start = i;
      const until = Math.min(count, i + rest.left);
      while (i < until && torque[i]! < up && torque[i]! > down) i++;
      this.newNoise = this.#noise.feed(torque, start, i) ?? this.newNoise;
      if (i < until) {
        this.ending = 'arms';
        return i;
      }
      if (!rest.take(torque, start, i, numbers, NEAR * numbers.releaseTorque, Infinity)) continue;
      if (!rest.note(numbers, false) && this.newNoise === null) continue;
      this.ending = 'slice';
      return i;
    }
    return i;
  }
}
