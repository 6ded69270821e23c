/**
 * A straight line under the arrivals: when was sample n taken?
 *
 * A sample can only arrive late, never early, so the truth lies along the lower edge of the points (index, arrival).
 * The line is the edge of their lower convex hull above the mean index: of all lines that no arrival undercuts it has
 * the least total lateness. (The same linear programme is used for clock skew from one-way network delays:
 * S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements", 1999.)
 * A window of bins keeps one arrival each, the earliest against the line, so cost and memory are bounded and the line
 * follows a device clock that drifts. What the transport always adds cannot be seen and stays inside the times.
 *
 * Pure: a function of the sequence of (index, arrival) alone.
 */

const BIN_MS = 125;
const BINS = 256;
/** A slope needs this much time and this many arrivals; before, the given period stands. */
const ESTABLISH_MS = 1_000;
const ESTABLISH_ARRIVALS = 4;
/** So many bins in a row that are all late by about the same mean that samples vanished on the way. */
const STEP_BINS = 8;
const MAX_RAW = 8_192;

interface Point {
  readonly n: number;
  readonly at: number;
}

export type ArrivalFitState = ReturnType<ArrivalFit['snapshot']>;

export class ArrivalFit {
  #periodMs: number | null;
  /** The line passes through this point. */
  #anchor: Point = { n: 0, at: 0 };
  /** Closed bins, oldest first. */
  #bins: Point[] = [];
  /** The bin being filled: its end and the earliest arrival in it. */
  #binEndMs = -Infinity;
  #binBest: Point | null = null;
  /** Lateness of the last closed bins against the line as it was, ms. */
  #lateness: number[] = [];
  /** Every arrival, while the period is unknown. */
  #raw: Point[] = [];
  #firstAtMs: number | null = null;
  #arrivals = 0;
  #isEstablished = false;

  /** @param periodMs nominal distance of samples, ms; null: to be found from the arrivals. */
  constructor(periodMs: number | null) {
    this.#periodMs = periodMs;
  }

  /** Distance of samples after the line, ms; null while it is neither given nor found. */
  get periodMs(): number | null {
    return this.#periodMs;
  }

  /** True once the line rests on at least a second of arrivals. */
  get isEstablished(): boolean {
    return this.#isEstablished;
  }

  /**
   * Sample `n` was the last that had arrived at `atMs`; `n` increases from call to call.
   * @returns how far the line stepped forward because arrivals stayed late by a constant time, ms; 0 nearly always.
   */
  add(n: number, atMs: number): number {
    this.#firstAtMs ??= atMs;
    this.#arrivals += 1;
    if (this.#periodMs === null) {
      this.#measure(n, atMs);
      return 0;
    }
    const point = { n, at: atMs };
    if (this.#arrivals === 1) this.#anchor = point;
    return this.#take(point);
  }

  /** Time of sample `n` on the line, ms. Call only once `periodMs` is known. */
  timeOf(n: number): number {
    return this.#anchor.at + (n - this.#anchor.n) * this.#periodMs!;
  }

  /** The device paused: the next arrivals start a new line with the period of this one. */
  restart(): void {
    this.#forget();
    this.#firstAtMs = null;
    this.#arrivals = 0;
    this.#isEstablished = false;
  }

  /** All that changes; to be written down at once, for its arrays go on changing. */
  snapshot() {
    return {
      periodMs: this.#periodMs, anchor: this.#anchor, bins: this.#bins, binEndMs: this.#binEndMs, binBest: this.#binBest, lateness: this.#lateness,
      raw: this.#raw, firstAtMs: this.#firstAtMs, arrivals: this.#arrivals, isEstablished: this.#isEstablished,
    };
  }

  restore(state: ArrivalFitState): void {
    this.#periodMs = state.periodMs;
    this.#anchor = state.anchor;
    this.#bins = state.bins;
    this.#binEndMs = state.binEndMs;
    this.#binBest = state.binBest;
    this.#lateness = state.lateness;
    this.#raw = state.raw;
    this.#firstAtMs = state.firstAtMs;
    this.#arrivals = state.arrivals;
    this.#isEstablished = state.isEstablished;
  }

  #late(point: Point): number {
    return point.at - this.timeOf(point.n);
  }

  #forget(): void {
    this.#bins = [];
    this.#lateness = [];
    this.#binBest = null;
    this.#binEndMs = -Infinity;
    this.#raw = [];
  }

  #measure(n: number, at: number): void {
    this.#raw.push({ n, at });
    if (this.#raw.length > MAX_RAW) this.#raw = this.#raw.filter((_, i) => i % 2 === 1);
    if (this.#raw.length < ESTABLISH_ARRIVALS || at - this.#firstAtMs! < ESTABLISH_MS) return;
    const line = lowerLine(this.#raw);
    if (line === null || !(line.periodMs > 0)) return;
    const points = this.#raw;
    this.#raw = [];
    this.#periodMs = line.periodMs;
    this.#anchor = line.anchor;
    this.#isEstablished = true;
    for (const point of points) this.#take(point);
  }

  #take(point: Point): number {
    const stepMs = point.at >= this.#binEndMs ? this.#closeBin(point.at) : 0;
    if (this.#binBest === null || this.#late(point) < this.#late(this.#binBest)) this.#binBest = point;
    // No arrival may undercut the line: what came earlier than expected is the better witness at once.
    if (this.#late(point) < 0) this.#anchor = point;
    return stepMs;
  }

  #closeBin(atMs: number): number {
    const width = Math.max(BIN_MS, 2 * this.#periodMs!);
    const originMs = this.#firstAtMs!;
    this.#binEndMs = originMs + (Math.floor((atMs - originMs) / width) + 1) * width;
    if (this.#binBest === null) return 0;
    const late = this.#late(this.#binBest);
    this.#bins.push(this.#binBest);
    this.#binBest = null;
    if (this.#bins.length > BINS) this.#bins.shift();
    this.#lateness.push(late);
    if (this.#lateness.length > STEP_BINS) this.#lateness.shift();
    const stepMs = this.#stepOf();
    if (stepMs > 0) {
      this.#bins = this.#bins.slice(-STEP_BINS);
      this.#lateness = [];
      this.#anchor = { n: this.#anchor.n, at: this.#anchor.at + stepMs };
    }
    this.#refit(atMs);
    return stepMs;
  }

  /** The least lateness of the last bins when all of them are late alike, else 0. */
  #stepOf(): number {
    if (!this.#isEstablished || this.#lateness.length < STEP_BINS) return 0;
    const least = Math.min(...this.#lateness);
    const most = Math.max(...this.#lateness);
    return least > Math.max(5, 2.5 * this.#periodMs!) && most < 1.5 * least ? least : 0;
  }

  #refit(atMs: number): void {
    if (!this.#isEstablished) {
      if (this.#bins.length < ESTABLISH_ARRIVALS || atMs - this.#firstAtMs! < ESTABLISH_MS) return;
      this.#isEstablished = true;
    }
    const line = lowerLine(this.#bins);
    if (line === null || !(line.periodMs > 0)) return;
    this.#periodMs = line.periodMs;
    this.#anchor = line.anchor;
  }
}

/** The hull edge above the mean index, or null for fewer than two points. Points have increasing `n`. */
function lowerLine(points: readonly Point[]): { periodMs: number; anchor: Point } | null {
  if (points.length < 2) return null;
  const hull: Point[] = [];
  let sum = 0;
  for (const point of points) {
    sum += point.n - points[0]!.n;
    while (hull.length >= 2 && !turnsUp(hull[hull.length - 2]!, hull[hull.length - 1]!, point)) hull.pop();
    hull.push(point);
  }
  const mean = points[0]!.n + sum / points.length;
  let right = 1;
  while (right < hull.length - 1 && hull[right]!.n < mean) right += 1;
  const from = hull[right - 1]!;
  const to = hull[right]!;
  return { periodMs: (to.at - from.at) / (to.n - from.n), anchor: to };
}

function turnsUp(a: Point, b: Point, c: Point): boolean {
  return (b.at - a.at) * (c.n - a.n) < (c.at - a.at) * (b.n - a.n);
}
