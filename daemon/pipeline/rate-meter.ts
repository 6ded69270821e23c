/** Finds how far samples are apart, ms, from the first second or so of their arrivals. Pure. */
import { lowerLine, type ArrivalPoint } from './arrival-fit.ts';

const MEASURE_MS = 1_000;
const MEASURE_ARRIVALS = 4;
const MAX_POINTS = 8_192;
/** The best arrivals of each part must lie by the line to this, ms, periods, and times what is usual; else samples were lost on the way. */
const PARTS = 8;
const EVEN_MS = 8;
const EVEN_PERIODS = 2;
const EVEN_FACTOR = 4;
/** After so long the line is taken as it is, ms. */
const LONGEST_MS = 5_000;

export class RateMeter {
  #points: ArrivalPoint[] = [];
  #beganMs: number | null = null;

  /** All that changes; to be written down at once, for its array goes on changing. */
  snapshot() {
    return { points: this.#points, beganMs: this.#beganMs };
  }

  restore(state: RateMeterState): void {
    this.#points = state.points;
    this.#beganMs = state.beganMs;
  }

  /**
   * Sample `n` was the last that had arrived at `atMs`; `n` increases from call to call.
   * @returns the distance of samples, ms, once it is known
   */
  add(n: number, atMs: number): number | null {
    this.#beganMs ??= atMs;
    this.#points.push({ n, at: atMs });
    if (this.#points.length > MAX_POINTS) this.#points = this.#points.filter((_, i) => i % 2 === 1);
    if (this.#points.length < MEASURE_ARRIVALS || atMs - this.#points[0]!.at < MEASURE_MS) return null;
    const line = lowerLine(this.#points);
    if (line === null || !(line.periodMs > 0)) return null;
    if (atMs - this.#beganMs < LONGEST_MS && !isEven(this.#points, line)) {
      this.#points = this.#points.slice(this.#points.length >> 1);
      return null;
    }
    return line.periodMs;
  }
}

export type RateMeterState = ReturnType<RateMeter['snapshot']>;

function isEven(points: readonly ArrivalPoint[], { periodMs, anchor }: { periodMs: number; anchor: ArrivalPoint }): boolean {
  const size = Math.ceil(points.length / PARTS);
  const least: number[] = [];
  for (let from = 0; from < points.length; from += size) {
    least.push(Math.min(...points.slice(from, from + size).map(({ n, at }) => at - anchor.at - (n - anchor.n) * periodMs)));
  }
  least.sort((a, b) => a - b);
  return least.at(-1)! <= Math.max(EVEN_MS, EVEN_PERIODS * periodMs, EVEN_FACTOR * least[least.length >> 1]!);
}
