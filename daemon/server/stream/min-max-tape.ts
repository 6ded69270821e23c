/**
 * Reduces samples to pairs of lowest and highest, so that a plot of few points hides no peak. Plain arithmetic over
 * blocks. Bounded: when too many pairs wait, neighbours are joined; when too many gaps wait, what lies before them is.
 */
export interface TapeSegment {
  /** Monotonic time of the first sample of the first pair, ms. */
  readonly startMs: number;
  /** Distance of the pairs, ms. */
  readonly spacingMs: number;
  /** lowest, highest, lowest, highest … in N.m. */
  readonly pairs: readonly number[];
  /** How many samples the pairs stand for. */
  readonly samples: number;
}

const PAIRS_PER_PERIOD = 20;
const MAX_PAIRS = 2 * PAIRS_PER_PERIOD;
const MAX_SEGMENTS = 4;

export class MinMaxTape {
  readonly #periodMs: number;
  #closed: TapeSegment[] = [];
  #pairs: number[] = [];
  #startMs = 0;
  #spacingMs = 0;
  #basePerPair = 1;
  #samplesPerPair = 1;
  #samples = 0;
  #partialCount = 0;
  #partialMin = Infinity;
  #partialMax = -Infinity;
  #partialStartMs = 0;
  #grewSinceTake = false;

  /** @param periodMs how often `take` will be called; the pairs are spaced by a twentieth of it, or by one sample */
  constructor(periodMs: number) {
    this.#periodMs = periodMs;
  }

  /** @param continues false when samples are missing before these */
  add(torque: Float64Array, startMs: number, spacingMs: number, continues: boolean): void {
    if (!continues) this.#closeSegment();
    this.#basePerPair = Math.max(1, Math.ceil(this.#periodMs / PAIRS_PER_PERIOD / spacingMs - 1e-6));
    if (this.#pairs.length === 0) this.#samplesPerPair = this.#basePerPair;
    this.#spacingMs = spacingMs;
    this.#grewSinceTake = true;
    for (let at = 0; at < torque.length;) {
      if (this.#partialCount >= this.#samplesPerPair) this.#closePair();
      if (this.#partialCount === 0) this.#partialStartMs = startMs + at * spacingMs;
      const end = Math.min(torque.length, at + this.#samplesPerPair - this.#partialCount);
      let low = this.#partialMin;
      let high = this.#partialMax;
      for (let i = at; i < end; i++) {
        const value = torque[i]!;
        if (value < low) low = value;
        if (value > high) high = value;
      }
      this.#partialMin = low;
      this.#partialMax = high;
      this.#partialCount += end - at;
      at = end;
      if (this.#partialCount >= this.#samplesPerPair) this.#closePair();
    }
  }

  /** What came since the last call. A pair that is not full yet waits, unless nothing came at all. */
  take(): readonly TapeSegment[] {
    if (!this.#grewSinceTake) this.#closePair();
    this.#grewSinceTake = false;
    const segments = this.#closed;
    this.#closed = [];
    if (this.#pairs.length > 0) segments.push(this.#segment());
    this.#startAnew();
    return segments;
  }

  #closePair(): void {
    if (this.#partialCount === 0) return;
    // A pair of nothing but values that are no numbers shows nothing.
    if (this.#partialMin <= this.#partialMax) {
      if (this.#pairs.length === 0) this.#startMs = this.#partialStartMs;
      this.#pairs.push(this.#partialMin, this.#partialMax);
    }
    this.#samples += this.#partialCount;
    this.#partialCount = 0;
    this.#partialMin = Infinity;
    this.#partialMax = -Infinity;
    if (this.#pairs.length > 2 * MAX_PAIRS) this.#joinNeighbours();
  }

  #joinNeighbours(): void {
    const joined: number[] = [];
    for (let i = 0; i < this.#pairs.length; i += 4) {
      joined.push(Math.min(this.#pairs[i]!, this.#pairs[i + 2] ?? Infinity), Math.max(this.#pairs[i + 1]!, this.#pairs[i + 3] ?? -Infinity));
    }
    this.#pairs = joined;
    this.#samplesPerPair *= 2;
  }

  #closeSegment(): void {
    this.#closePair();
    if (this.#pairs.length > 0) this.#closed.push(this.#segment());
    this.#startAnew();
    if (this.#closed.length > MAX_SEGMENTS) {
      const [first, second, ...rest] = this.#closed;
      this.#closed = [joinSegments(first!, second!), ...rest];
    }
  }

  #segment(): TapeSegment {
    return { startMs: this.#startMs, spacingMs: this.#samplesPerPair * this.#spacingMs, pairs: this.#pairs, samples: this.#samples };
  }

  #startAnew(): void {
    this.#pairs = [];
    this.#samples = 0;
  }
}

/** One pair over both: where exactly is lost, how high is not. */
function joinSegments(a: TapeSegment, b: TapeSegment): TapeSegment {
  const all = [...a.pairs, ...b.pairs];
  const endMs = b.startMs + b.spacingMs * (b.pairs.length / 2);
  return { startMs: a.startMs, spacingMs: endMs - a.startMs, pairs: [Math.min(...all), Math.max(...all)], samples: a.samples + b.samples };
}
