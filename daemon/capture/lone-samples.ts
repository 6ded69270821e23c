/**
 * Keeps single samples that stand out (electrical noise, a turned bit, a valid but false line) from becoming a value.
 *
 * A sample is lone when it lies beyond both neighbours by more than the torque had just risen or fallen, and by more
 * than the noise. So the top of a pull, a corner and a shut-off are never lone: they come after a rise as steep as they
 * are. From MEDIAN_RATE_HZ on, a lone sample is replaced by the median of itself and its neighbours. Below that rate a
 * real peak may last one sample, so nothing is replaced. At every rate the largest lone sample is remembered, so that
 * the reading can say so.
 *
 * A step function without a clock: any split of the same samples gives the same. What leaves is one sample behind.
 */

/** S/s. A hand tool's top lasts 4 ms at least (our own choice). */
export const MEDIAN_RATE_HZ = 500;
/** A rise may steepen by so much from one sample to the next before it is no longer taken for one; at slow rates, where
 *  nothing is replaced, less is said too. */
const STEEPER = 2;
const STEEPER_SLOW = 1;
/** A sample is lone only beyond so many sigma of the noise. */
const LONE_SIGMAS = 6;
/** It is worth a word beyond this share of the highest torque, … */
const SHARE = 0.01;
/** … of the capacity, … */
const CAPACITY_SHARE = 0.001;
/** … and so many sigma. */
const SIGMAS = 12;
/** Mean of |x - median of three| for white noise of unit sigma: 2/3 of the samples lie 0.846 off (order statistics of three). */
const MEAN_OFF = 0.564;
/** What stands out teaches little about the noise: at most so many times the mean, or this share of the capacity. */
const MOST_OFF = 4;
const MOST_OFF_SHARE = 0.0005;
/** The noise is reckoned anew after each of the first samples, then after so many. */
const EVERY = 64;

export class LoneSamples {
  readonly #isMedian: boolean;
  readonly #capacity: number;
  /** The last three samples, newest last. */
  #a = 0;
  #b = 0;
  #c = 0;
  #samples = 0;
  #sumOff = 0;
  #largest = 0;
  /** Off by more: perhaps lone, N.m. */
  #limit = 0;
  #mostOff = 0;
  #highest = -Infinity;

  /** @param capacity N.m */
  constructor(rateHz: number, capacity: number) {
    this.#isMedian = rateHz >= MEDIAN_RATE_HZ;
    this.#capacity = Number.isFinite(capacity) ? capacity : 0;
  }

  /** Highest sample so far as it came, N.m. */
  get highest(): number {
    return this.#highest;
  }

  /** Whether a lone sample is worth a word, given the highest torque of the cycle, N.m. */
  standsOut(highest: number): boolean {
    const sigma = this.#sumOff / Math.max(1, this.#samples - 2) / MEAN_OFF;
    return this.#largest > Math.max(SHARE * highest, CAPACITY_SHARE * this.#capacity, SIGMAS * sigma);
  }

  #setLimits(meanOff: number): void {
    this.#limit = (LONE_SIGMAS / MEAN_OFF) * meanOff;
    this.#mostOff = Math.max(MOST_OFF * meanOff, MOST_OFF_SHARE * this.#capacity);
  }

  /** @param step by how much the sample before differed from the one before it */
  #isLone(off: number, step: number): boolean {
    const lone = off - (this.#isMedian ? STEEPER : STEEPER_SLOW) * Math.abs(step);
    if (lone <= this.#limit) return false;
    if (lone > this.#largest) this.#largest = lone;
    return true;
  }

  /**
   * @param input samples `from` up to `from + count`, N.m; `sign` times each is taken
   * @param output gets all samples but the newest, from 0 on, those of earlier calls left out
   * @returns how many it got: `count`, or one less at the first call
   */
  push(input: Float64Array, from: number, count: number, sign: 1 | -1, output: Float64Array): number {
    if (count === 0) return 0;
    let i = 0;
    if (this.#samples === 0) {
      const first = sign * input[from]!;
      this.#a = first;
      this.#b = first;
      this.#c = first;
      this.#highest = first;
      i = 1;
    }
    const isMedian = this.#isMedian;
    let a = this.#a;
    let b = this.#b;
    let c = this.#c;
    let highest = this.#highest;
    let sum = this.#sumOff;
    let seen = this.#samples + i;
    let written = 0;
    for (; i < count; i++) {
      const x = sign * input[from + i]!;
      if (x > highest) highest = x;
      if (seen < EVERY || seen % EVERY === 0) this.#setLimits(sum / seen);
      const median = Math.max(Math.min(b, c), Math.min(Math.max(b, c), x));
      const off = Math.abs(c - median);
      sum += Math.min(off, this.#mostOff);
      output[written++] = off > this.#limit && this.#isLone(off, b - a) && isMedian ? median : c;
      seen++;
      a = b;
      b = c;
      c = x;
    }
    this.#a = a;
    this.#b = b;
    this.#c = c;
    this.#highest = highest;
    this.#sumOff = sum;
    this.#samples += count;
    return written;
  }
}
