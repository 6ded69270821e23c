/**
 * Arrays for the samples of blocks, cut one after the other from larger pieces: an array with memory of its own costs more
 * than filling it. A piece lives as long as any array in it; none is ever given out twice.
 */
const PIECE_SAMPLES = 8_192;

export class BlockMemory {
  #piece = new Float64Array(0);
  #used = 0;

  /** @returns `count` zeros */
  take(count: number): Float64Array {
    if (count > PIECE_SAMPLES / 4) return new Float64Array(count);
    if (this.#used + count > this.#piece.length) {
      this.#piece = new Float64Array(PIECE_SAMPLES);
      this.#used = 0;
    }
    const from = this.#used;
    this.#used += count;
    return this.#piece.subarray(from, from + count);
  }
}
