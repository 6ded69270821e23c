/** A ring over the last ticks, addressed by absolute tick number. */
export class TickRing {
  readonly #values: Float64Array;
  readonly #mask: number;

  /** @param atLeast ticks that stay readable */
  constructor(atLeast: number) {
    const size = 2 ** Math.ceil(Math.log2(atLeast + 1));
    this.#values = new Float64Array(size);
    this.#mask = size - 1;
  }

  get(tick: number): number {
    return this.#values[tick & this.#mask]!;
  }

  set(tick: number, value: number): void {
    this.#values[tick & this.#mask] = value;
  }
}
