/** Smooth curves through knots, and the shapes that falls have. Pure. */

export interface Knot {
  /** s */
  readonly t: number;
  readonly value: number;
}

/**
 * A smooth curve through knots of increasing time that never leaves the range between two neighbours (piecewise
 * cubic Hermite, slopes by the weighted harmonic mean; Fritsch and Butland 1984). Level outside its ends.
 */
export class KnotCurve {
  readonly #t: Float64Array;
  readonly #value: Float64Array;
  readonly #slope: Float64Array;
  #last = 0;

  /** `startSlope` in value per second; left out: level at an extreme, else one-sided. */
  constructor(knots: readonly Knot[], startSlope?: number) {
    const n = knots.length;
    this.#t = Float64Array.from(knots, (knot) => knot.t);
    this.#value = Float64Array.from(knots, (knot) => knot.value);
    this.#slope = new Float64Array(n);
    const secant = (i: number): number => (this.#value[i + 1]! - this.#value[i]!) / (this.#t[i + 1]! - this.#t[i]!);
    for (let i = 1; i < n - 1; i++) {
      const before = secant(i - 1);
      const after = secant(i);
      if (before * after <= 0) continue;
      const hBefore = this.#t[i]! - this.#t[i - 1]!;
      const hAfter = this.#t[i + 1]! - this.#t[i]!;
      const wBefore = 2 * hAfter + hBefore;
      const wAfter = hAfter + 2 * hBefore;
      this.#slope[i] = (wBefore + wAfter) / (wBefore / before + wAfter / after);
    }
    if (startSlope !== undefined) this.#slope[0] = startSlope;
  }

  get endS(): number {
    return this.#t[this.#t.length - 1]!;
  }

  at(t: number): number {
    const times = this.#t;
    const n = times.length;
    if (t <= times[0]!) return this.#value[0]!;
    if (t >= times[n - 1]!) return this.#value[n - 1]!;
    // Asked for mostly in the order of time, so the segment of last time is the place to begin.
    let i = this.#last;
    while (times[i]! > t) i--;
    while (times[i + 1]! <= t) i++;
    this.#last = i;
    const h = times[i + 1]! - times[i]!;
    const x = (t - times[i]!) / h;
    const y = 1 - x;
    return this.#value[i]! * y * y * (1 + 2 * x) + this.#value[i + 1]! * x * x * (3 - 2 * x)
      + h * (this.#slope[i]! * x * y * y - this.#slope[i + 1]! * x * x * y);
  }
}

/** How a fall goes from 0 (begun) to 1 (done) over its duration. */
export const FALL_SHAPES = ['linear', 'cosine', 'exponential', 'accelerating'] as const;
export type FallShape = (typeof FALL_SHAPES)[number];

export function fallen(shape: FallShape, x: number): number {
  if (x <= 0) return 0;
  if (x >= 1) return 1;
  switch (shape) {
    case 'linear': return x;
    case 'cosine': return 0.5 - 0.5 * Math.cos(Math.PI * x);
    case 'exponential': return (1 - Math.exp(-4 * x)) / (1 - Math.exp(-4));
    case 'accelerating': return x * x;
  }
}

/** First time in (fromS, toS] at which `f` reaches `level` from below, to 1e-9 s, or null. */
export function firstCrossing(f: (t: number) => number, level: number, fromS: number, toS: number): number | null {
  const STEP_S = 1e-4;
  for (let t = fromS; t < toS; t += STEP_S) {
    let high = Math.min(t + STEP_S, toS);
    if (f(high) < level) continue;
    let low = t;
    while (high - low > 1e-9) {
      const middle = (low + high) / 2;
      if (f(middle) < level) low = middle;
      else high = middle;
    }
    return high;
  }
  return null;
}
