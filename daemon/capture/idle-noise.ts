/** Noise of a channel at rest, from the differences of neighbouring samples: drift and offset do not count. */
export class IdleNoise {
  readonly #window: number;
  #count = 0;
  #sum = 0;
  #previous = 0;

  /** @param window samples that one estimate takes; 0: never */
  constructor(window: number) {
    this.#window = window;
  }

  snapshot() {
    return { count: this.#count, sum: this.#sum, previous: this.#previous };
  }

  restore(state: ReturnType<IdleNoise['snapshot']>): void {
    this.#count = state.count;
    this.#sum = state.sum;
    this.#previous = state.previous;
  }

  restart(): void {
    this.#count = 0;
    this.#sum = 0;
  }

  /** @returns sigma in N.m at the last window completed within these samples, or null. */
  feed(torque: Float64Array, from: number, to: number): number | null {
    let estimate: number | null = null;
    const window = this.#window;
    if (window === 0) return null;
    let count = this.#count;
    let sum = this.#sum;
    let previous = this.#previous;
    let i = from;
    if (count === 0 && i < to) {
      previous = torque[i++]!;
      count = 1;
    }
    while (i < to) {
      const until = Math.min(to, i + window + 1 - count);
      count += until - i;
      for (; i < until; i++) {
        const value = torque[i]!;
        const difference = value - previous;
        previous = value;
        sum += difference * difference;
      }
      if (count <= window) break;
      estimate = Math.sqrt(sum / (2 * window));
      count = 1;
      sum = 0;
    }
    this.#count = count;
    this.#sum = sum;
    this.#previous = previous;
    return estimate;
  }
}
