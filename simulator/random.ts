/**
 * Chance that can be repeated: the same seed gives the same numbers, bit for bit. The generator is xoshiro128**
 * (Blackman and Vigna, public domain algorithm), its state filled by splitmix32.
 */
export class SeededRandom {
  readonly #state = new Uint32Array(4);
  #spareNormal: number | null = null;

  /** A number, or the four words of the generator's state. */
  constructor(seed: number | readonly [number, number, number, number]) {
    if (typeof seed !== 'number') {
      this.#state.set(seed);
      return;
    }
    let word = seed >>> 0;
    for (let i = 0; i < 4; i++) {
      word = (word + 0x9e3779b9) >>> 0;
      let mixed = word ^ (word >>> 16);
      mixed = Math.imul(mixed, 0x21f0aaad);
      mixed ^= mixed >>> 15;
      mixed = Math.imul(mixed, 0x735a2d97);
      this.#state[i] = mixed ^ (mixed >>> 15);
    }
  }

  /** A generator of its own for a part, so that one part's use of chance does not shift another's. */
  fork(label: number): SeededRandom {
    return new SeededRandom(Math.imul(this.word() ^ Math.imul(label + 1, 0x9e3779b9), 0x85ebca6b));
  }

  /** 32 random bits. */
  word(): number {
    const s = this.#state;
    const product = Math.imul(s[1]!, 5);
    const result = Math.imul((product << 7) | (product >>> 25), 9) >>> 0;
    const shifted = s[1]! << 9;
    s[2]! ^= s[0]!;
    s[3]! ^= s[1]!;
    s[1]! ^= s[2]!;
    s[0]! ^= s[3]!;
    s[2]! ^= shifted;
    s[3] = (s[3]! << 11) | (s[3]! >>> 21);
    return result;
  }

  /** In [0, 1). */
  next(): number {
    return this.word() / 0x1_0000_0000;
  }

  between(low: number, high: number): number {
    return low + (high - low) * this.next();
  }

  /** Even on a logarithmic scale; both ends positive. */
  betweenLog(low: number, high: number): number {
    return low * Math.pow(high / low, this.next());
  }

  /** Whole numbers from `low` to `high`, both possible. */
  integer(low: number, high: number): number {
    return low + Math.floor(this.next() * (high - low + 1));
  }

  happens(chance: number): boolean {
    return this.next() < chance;
  }

  pick<Item>(items: readonly Item[]): Item {
    return items[this.integer(0, items.length - 1)]!;
  }

  /** Normal, mean 0, standard deviation 1 (Box-Muller). */
  normal(): number {
    if (this.#spareNormal !== null) {
      const spare = this.#spareNormal;
      this.#spareNormal = null;
      return spare;
    }
    const radius = Math.sqrt(-2 * Math.log(1 - this.next()));
    const angle = 2 * Math.PI * this.next();
    this.#spareNormal = radius * Math.sin(angle);
    return radius * Math.cos(angle);
  }
}
