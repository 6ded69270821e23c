/** Says when the torque has stayed within a band for long enough. Starts anew at the sample that leaves the band. */
export class StillWatch {
  readonly #needed: number;
  #count = 0;
  #low = Infinity;
  #high = -Infinity;

  /** @param needed samples */
  constructor(needed: number) {
    this.#needed = Math.max(1, needed);
  }

  reset(): void {
    this.#count = 0;
    this.#low = Infinity;
    this.#high = -Infinity;
  }

  /** @returns true at the sample that completes the stretch */
  take(value: number, band: number): boolean {
    const low = Math.min(this.#low, value);
    const high = Math.max(this.#high, value);
    if (high - low > band) {
      this.#low = value;
      this.#high = value;
      this.#count = 1;
    } else {
      this.#low = low;
      this.#high = high;
      this.#count++;
    }
    return this.#count >= this.#needed;
  }
}
