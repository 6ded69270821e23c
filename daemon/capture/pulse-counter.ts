/**
 * The pulses of an impulse tool: maxima that stand out of the torque before and after them. They need not start from
 * zero; a joint that is tight already may keep torque on. A step function: any split of the samples gives the same.
 */
export interface PulseCounterOptions {
  /** A pulse stands out on both sides by at least this share of the highest torque so far … */
  readonly standsOut: number;
  /** … and by at least this, N.m. */
  readonly least: number;
  /** How many of the last ones the mean is of. */
  readonly last: number;
}

/** Torques in the direction of the cycle, N.m; indices count the samples that were pushed. */
export interface Pulses {
  readonly count: number;
  readonly highest: number;
  readonly last: number;
  readonly meanOfLast: number;
  /** Pulses that the mean is of: fewer than asked for when there were no more. */
  readonly meanOf: number;
  readonly firstAt: number;
  readonly lastAt: number;
  /** A crest may lie between two samples and be missed by more than one per cent. */
  readonly isCoarse: boolean;
}

/** The samples beside the crest of a half sine lie so much lower when the crest itself may be missed by one per cent. */
const COARSE_DROP = 0.04;

export class PulseCounter {
  readonly #options: PulseCounterOptions;
  /** Heights of the last pulses, round and round. */
  readonly #lasts: Float64Array;
  #samples = 0;
  #previous = 0;
  #isRising = false;
  /** Lowest since the last pulse, highest since then and where; the samples beside that. */
  #low = Infinity;
  #top = -Infinity;
  #topAt = 0;
  #beforeTop = 0;
  #afterTop = 0;
  #highestSoFar = 0;
  #count = 0;
  #highest = -Infinity;
  #firstAt = 0;
  #lastAt = 0;
  #drop = 0;

  constructor(options: PulseCounterOptions) {
    this.#options = options;
    this.#lasts = new Float64Array(options.last);
  }

  get count(): number {
    return this.#count;
  }

  /** @param torque in the direction of the cycle; the first `count` */
  push(torque: Float64Array, count: number): void {
    for (let i = 0; i < count; i++) this.#take(torque[i]!, this.#samples + i);
    this.#samples += count;
  }

  #take(value: number, at: number): void {
    if (value > this.#highestSoFar) this.#highestSoFar = value;
    const needed = Math.max(this.#options.least, this.#options.standsOut * this.#highestSoFar);
    if (!this.#isRising) {
      if (value < this.#low) this.#low = value;
      else if (value - this.#low >= needed) {
        this.#isRising = true;
        this.#raise(value, at);
      }
    } else if (value > this.#top) this.#raise(value, at);
    else {
      if (at === this.#topAt + 1) this.#afterTop = value;
      if (this.#top - value >= needed) {
        this.#countTop();
        this.#low = value;
      }
    }
    this.#previous = value;
  }

  #raise(value: number, at: number): void {
    this.#top = value;
    this.#topAt = at;
    this.#beforeTop = this.#previous;
    this.#afterTop = value;
  }

  #countTop(): void {
    const top = this.#top;
    this.#isRising = false;
    this.#lasts[this.#count % this.#lasts.length] = top;
    if (this.#count === 0) this.#firstAt = this.#topAt;
    this.#count++;
    this.#lastAt = this.#topAt;
    this.#highest = Math.max(this.#highest, top);
    this.#drop = Math.max(this.#drop, top - (this.#beforeTop + this.#afterTop) / 2);
  }

  /** Null when nothing stood out. */
  get pulses(): Pulses | null {
    const count = this.#count;
    if (count === 0) return null;
    const meanOf = Math.min(count, this.#lasts.length);
    let sum = 0;
    for (let i = count - meanOf; i < count; i++) sum += this.#lasts[i % this.#lasts.length]!;
    return {
      count, highest: this.#highest, last: this.#lasts[(count - 1) % this.#lasts.length]!, meanOfLast: sum / meanOf, meanOf,
      firstAt: this.#firstAt, lastAt: this.#lastAt, isCoarse: this.#drop > COARSE_DROP * this.#highest,
    };
  }
}
