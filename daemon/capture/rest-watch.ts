/**
 * Whether torque stands still: beyond the release threshold something is mounted, or the zero is off; below the arming
 * threshold a cycle is over. Judged on means of short slices, so that noise and hum do not hide stillness.
 */
import type { DetectorNumbers } from '../../shared/trace.ts';

/** Still: the slice means lie within this share of the arming torque … */
const BAND = 0.15;
/** … and the samples of each slice within this one, for noise and hum. */
const RIPPLE = 1.2;
/** What stood beyond the release threshold is below it from this share of it on. */
const BELOW = 0.9;

/** So much another torque is told anew, as a share of the arming torque. */
const MOVED = 0.25;

export interface RestCounts {
  /** Samples of a slice, at least 1. */
  readonly slice: number;
  /** Still for so many slices: a cycle is over. */
  readonly end: number;
  /** Still for so many slices: the channel is loaded. */
  readonly loaded: number;
}

export class RestWatch {
  readonly #counts: RestCounts;
  /** Of the last slices; the newest at `#beyond - 1`, round and round. */
  readonly #means: Float64Array;
  #inSlice = 0;
  /** Asleep it looks at one sample per slice; awake it takes all of them. */
  #isAwake = false;
  #sum = 0;
  #low = Infinity;
  #high = -Infinity;
  /** Watched slices in a row; of them in a row without much ripple. */
  #beyond = 0;
  #calm = 0;
  #mean = 0;
  /** Torque that stands beyond the release threshold, N.m; kept until it stands elsewhere or is gone. */
  standing: number | null = null;
  /** What was told of it. */
  said: number | null = null;

  constructor(counts: RestCounts) {
    this.#counts = counts;
    this.#means = new Float64Array(Math.max(counts.loaded, counts.end));
  }

  /** All that changes; to be written down at once, for its array goes on changing. */
  snapshot() {
    return {
      means: this.#means, inSlice: this.#inSlice, isAwake: this.#isAwake, sum: this.#sum, low: this.#low, high: this.#high,
      beyond: this.#beyond, calm: this.#calm, mean: this.#mean, standing: this.standing, said: this.said,
    };
  }

  /** With settings that make other slices than it was made with it begins anew. */
  restore(state: ReturnType<RestWatch['snapshot']>): void {
    if (state.means.length !== this.#means.length || state.inSlice >= this.#counts.slice) return this.reset();
    this.#means.set(state.means);
    this.#inSlice = state.inSlice;
    this.#isAwake = state.isAwake;
    this.#sum = state.sum;
    this.#low = state.low;
    this.#high = state.high;
    this.#beyond = state.beyond;
    this.#calm = state.calm;
    this.#mean = state.mean;
    this.standing = state.standing;
    this.said = state.said;
  }

  /** Samples until the slice is complete. `take` never crosses that border. */
  get left(): number {
    return this.#counts.slice - this.#inSlice;
  }

  /** Of the last slice, N.m. */
  get mean(): number {
    return this.#mean;
  }

  reset(): void {
    this.standing = null;
    this.#inSlice = 0;
    this.#sleep();
  }

  /**
   * Takes the samples `from` up to `to`.
   * @param least torque below this magnitude is not watched, N.m
   * @param most nor is torque of this magnitude and more
   * @returns true at the end of a slice
   */
  take(torque: Float64Array, from: number, to: number, { armTorque }: DetectorNumbers, least: number, most: number): boolean {
    this.#inSlice += to - from;
    if (this.#isAwake) this.#add(torque, from, to);
    if (this.#inSlice < this.#counts.slice) return false;
    this.#inSlice = 0;
    if (!this.#isAwake) {
      const look = Math.abs(torque[to - 1]!);
      this.#isAwake = look >= least && look < most;
      this.#clearSlice();
      return true;
    }
    const mean = this.#sum / this.#counts.slice;
    const isCalm = this.#high - this.#low <= RIPPLE * armTorque;
    this.#mean = mean;
    this.#clearSlice();
    const magnitude = Math.abs(mean);
    if (magnitude < least || magnitude >= most) {
      this.#sleep();
      return true;
    }
    this.#means[this.#beyond % this.#means.length] = mean;
    this.#beyond++;
    this.#calm = isCalm ? this.#calm + 1 : 0;
    return true;
  }

  /**
   * At the end of a slice: whether something stands now.
   * @param isDeaf nothing can be captured of this torque, so it counts also when it is not still
   * @returns whether that has changed
   */
  note(numbers: DetectorNumbers, isDeaf: boolean): boolean {
    const before = this.standing;
    const isBeyond = this.#isAwake && Math.abs(this.#mean) >= numbers.releaseTorque;
    if (!this.#isAwake || Math.abs(this.#mean) < BELOW * numbers.releaseTorque) this.standing = null;
    else if (isBeyond && this.#isStill(this.#counts.loaded, numbers)) this.standing = this.#mean;
    else if (isDeaf && this.#beyond >= this.#counts.loaded) this.standing ??= this.#mean;
    return this.standing !== before;
  }

  /** Something else stands than was told. */
  hasMoved({ armTorque }: DetectorNumbers): boolean {
    return Math.abs((this.standing ?? 0) - (this.said ?? 0)) > MOVED * armTorque;
  }

  /** Still below the arming threshold for long enough to end a cycle, also where noise keeps it from being released. */
  isAtRest(numbers: DetectorNumbers): boolean {
    return Math.abs(this.#mean) < numbers.armTorque && this.#isStill(this.#counts.end, numbers);
  }

  /** The mean of the last slice where it is beyond the release threshold, else null, N.m. */
  beyond({ releaseTorque }: DetectorNumbers): number | null {
    return Math.abs(this.#mean) >= releaseTorque ? this.#mean : null;
  }

  #isStill(slices: number, { armTorque }: DetectorNumbers): boolean {
    if (this.#calm < slices) return false;
    let low = Infinity;
    let high = -Infinity;
    for (let s = this.#beyond - slices; s < this.#beyond; s++) {
      const mean = this.#means[s % this.#means.length]!;
      low = Math.min(low, mean);
      high = Math.max(high, mean);
    }
    return high - low <= BAND * armTorque;
  }

  #add(torque: Float64Array, from: number, to: number): void {
    let sum = this.#sum;
    let low = this.#low;
    let high = this.#high;
    for (let i = from; i < to; i++) {
      const value = torque[i]!;
      sum += value;
      if (value < low) low = value;
      if (value > high) high = value;
    }
    this.#sum = sum;
    this.#low = low;
    this.#high = high;
  }

  #clearSlice(): void {
    this.#sum = 0;
    this.#low = Infinity;
    this.#high = -Infinity;
  }

  #sleep(): void {
    this.#isAwake = false;
    this.#beyond = 0;
    this.#calm = 0;
    this.#clearSlice();
  }
}
