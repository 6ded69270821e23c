/** Samples of a cycle as they come, in one array that grows by doubling. */
export class GrowingSamples {
  #values: Float64Array;
  #length = 0;

  constructor(room: number) {
    this.#values = new Float64Array(Math.max(16, room));
  }

  get length(): number {
    return this.#length;
  }

  append(values: Float64Array, from: number, to: number): void {
    const needed = this.#length + to - from;
    if (needed > this.#values.length) {
      const larger = new Float64Array(Math.max(needed, 2 * this.#values.length));
      larger.set(this.#values.subarray(0, this.#length));
      this.#values = larger;
    }
    this.#values.set(from === 0 && to === values.length ? values : values.subarray(from, to), this.#length);
    this.#length = needed;
  }

  /** A copy of the last `count` samples, or of all when there are fewer. */
  last(count: number): Float64Array {
    return this.#values.slice(Math.max(0, this.#length - count), this.#length);
  }

  /** Forgets all but the last `count`, cheaply: only when twice as many are held. */
  keepLast(count: number): void {
    if (this.#length < 2 * count) return;
    this.#values.copyWithin(0, this.#length - count, this.#length);
    this.#length = count;
  }

  clear(): void {
    this.#length = 0;
  }
}
