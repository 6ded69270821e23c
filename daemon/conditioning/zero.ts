/**
 * The zero of a channel: the torque the transducer shows when nothing pulls at it. Found as the mean over a still
 * stretch, judged on means of short slices so that sample noise does not hide stillness.
 */

export interface ZeroFinderOptions {
  readonly rateHz: number;
  /** How long it must be still, ms. */
  readonly quietMs: number;
  /** Only while each slice mean is within this of the present zero, N.m. */
  readonly zone: number;
  /** Still: the slice means lie within a band of this height, N.m. */
  readonly band: number;
}

export type ZeroFinderState = ReturnType<ZeroFinder['snapshot']>;

const SLICES = 10;

/** Looks at torque before zero, sample by sample; says so at the sample that completes a still stretch. */
export class ZeroFinder {
  #sliceLength: number;
  #zone: number;
  #band: number;
  #inSlice = 0;
  #sliceSum = 0;
  #slices = 0;
  #sum = 0;
  #low = Infinity;
  #high = -Infinity;
  /** Mean of the last still stretch, N.m. */
  found = 0;

  constructor(options: ZeroFinderOptions) {
    this.#sliceLength = Math.max(1, Math.round((options.quietMs * options.rateHz) / 1000 / SLICES));
    this.#zone = options.zone;
    this.#band = options.band;
  }

  /** Samples one stretch takes. */
  get stretchLength(): number {
    return this.#sliceLength * SLICES;
  }

  /** All that changes, and what it was made with: settings may have become others since. */
  snapshot() {
    return {
      sliceLength: this.#sliceLength, zone: this.#zone, band: this.#band, inSlice: this.#inSlice, sliceSum: this.#sliceSum,
      slices: this.#slices, sum: this.#sum, low: this.#low, high: this.#high, found: this.found,
    };
  }

  restore(state: ZeroFinderState): this {
    this.#sliceLength = state.sliceLength;
    this.#zone = state.zone;
    this.#band = state.band;
    this.#inSlice = state.inSlice;
    this.#sliceSum = state.sliceSum;
    this.#slices = state.slices;
    this.#sum = state.sum;
    this.#low = state.low;
    this.#high = state.high;
    this.found = state.found;
    return this;
  }

  reset(): void {
    this.#inSlice = 0;
    this.#sliceSum = 0;
    this.#restart();
  }

  /**
   * Feeds samples from `from` on until a still stretch is complete.
   * @param torque N.m, with `zero` already subtracted
   * @returns the index after the completing sample (`found` then holds the stretch's mean), or -1 when all were taken
   */
  feed(torque: Float64Array, from: number): number {
    const length = torque.length;
    let inSlice = this.#inSlice;
    let sum = this.#sliceSum;
    const sliceLength = this.#sliceLength;
    for (let i = from; i < length; i++) {
      sum += torque[i]!;
      if (++inSlice < sliceLength) continue;
      const mean = sum / sliceLength;
      inSlice = 0;
      sum = 0;
      if (this.#take(mean)) {
        this.#inSlice = 0;
        this.#sliceSum = 0;
        return i + 1;
      }
    }
    this.#inSlice = inSlice;
    this.#sliceSum = sum;
    return -1;
  }

  #take(mean: number): boolean {
    if (Math.abs(mean) > this.#zone) {
      this.#restart();
      return false;
    }
    if (Math.max(this.#high, mean) - Math.min(this.#low, mean) > this.#band) this.#restart();
    this.#slices++;
    this.#sum += mean;
    this.#low = Math.min(this.#low, mean);
    this.#high = Math.max(this.#high, mean);
    if (this.#slices < SLICES) return false;
    this.found = this.#sum / this.#slices;
    this.#restart();
    return true;
  }

  #restart(): void {
    this.#slices = 0;
    this.#sum = 0;
    this.#low = Infinity;
    this.#high = -Infinity;
  }
}
