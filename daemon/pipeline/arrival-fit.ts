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

export interface ArrivalPoint {
  readonly n: number;
  readonly at: number;
}

export type ArrivalFitState = ReturnType<ArrivalFit['snapshot']>;

export class ArrivalFit {
  #periodMs: number;
  /** The line passes through this point. */
  #anchor: ArrivalPoint = { n: 0, at: 0 };
  /** Closed bins, oldest first. */
  #bins: ArrivalPoint[] = [];
  /** The bin being filled: its end and the earliest arrival in it. */
  #binEndMs = -Infinity;
  #binBest: ArrivalPoint | null = null;
  /** Lateness of the last closed bins against the line as it was, ms. */
  #lateness: number[] = [];
  #firstAtMs: number | null = null;
  #arrivals = 0;
  #isEstablished = false;

  /**
   * @param periodMs distance of samples, ms
   * @param isMeasured it comes from arrivals, not from the settings
   */
  constructor(periodMs: number, isMeasured = false) {
    this.#periodMs = periodMs;
    this.#isEstablished = isMeasured;
  }

  /** Distance of samples after the line, ms. */
  get periodMs(): number {
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
    const point = { n, at: atMs };
    if (this.#arrivals === 1) this.#anchor = point;
    return this.#take(point);
  }

  /** Time of sample `n` on the line, ms. */
  timeOf(n: number): number {
    return this.#anchor.at + (n - this.#anchor.n) * this.#periodMs;
  }

  /** How late sample `n` was that arrived at `atMs`, ms; 0 while there is no line. */
  lateness(n: number, atMs: number): number {
    return this.#arrivals === 0 ? 0 : atMs - this.timeOf(n);
  }

  /** How late the best arrivals of the last second were at most, ms. */
  get usualLatenessMs(): number {
    let most = 0;
    for (const late of this.#lateness) if (late > most) most = late;
    return most;
  }

  /** Since the first arrival of the line, ms. */
  ageMs(atMs: number): number {
    return this.#firstAtMs === null ? 0 : atMs - this.#firstAtMs;
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
      firstAtMs: this.#firstAtMs, arrivals: this.#arrivals, isEstablished: this.#isEstablished,
    };
  }

  restore(state: ArrivalFitState): void {
    this.#periodMs = state.periodMs;
    this.#anchor = state.anchor;
    this.#bins = state.bins;
    this.#binEndMs = state.binEndMs;
    this.#binBest = state.binBest;
    this.#lateness = state.lateness;
    this.#firstAtMs = state.firstAtMs;
    this.#arrivals = state.arrivals;
    this.#isEstablished = state.isEstablished;
  }

  #late(point: ArrivalPoint): number {
    return point.at - this.timeOf(point.n);
  }

  #forget(): void {
    this.#bins = [];
    this.#lateness = [];
    this.#binBest = null;
    this.#binEndMs = -Infinity;
  }

  #take(point: ArrivalPoint): number {
    const stepMs = point.at >= this.#binEndMs ? this.#closeBin(point.at) : 0;
    if (this.#binBest === null || this.#late(point) < this.#late(this.#binBest)) this.#binBest = point;
    // No arrival may undercut the line: what came earlier than expected is the better witness at once.
    if (this.#late(point) < 0) this.#anchor = point;
    return stepMs;
  }

  #closeBin(atMs: number): number {
    const width = Math.max(BIN_MS, 2 * this.#periodMs);
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
    return least > Math.max(5, 2.5 * this.#periodMs) && most < 1.5 * least ? least : 0;
  }

  #refit(atMs: number): void {
    // Two bins are no slope, also where the period was measured before: what was measured is better until then.
    if (this.#bins.length < ESTABLISH_ARRIVALS || atMs - this.#firstAtMs! < ESTABLISH_MS) return;
    this.#isEstablished = true;
    const line = lowerLine(this.#bins);
    if (line === null || !(line.periodMs > 0)) return;
    this.#periodMs = line.periodMs;
    this.#anchor = line.anchor;
  }
}

/** The hull edge above the mean index, or null for fewer than two points. Points have increasing `n`. */
export function lowerLine(points: readonly ArrivalPoint[]): { periodMs: number; anchor: ArrivalPoint } | null {
  if (points.length < 2) return null;
  const hull: ArrivalPoint[] = [];
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

function turnsUp(a: ArrivalPoint, b: ArrivalPoint, c: ArrivalPoint): boolean {
  return (b.at - a.at) * (c.n - a.n) < (c.at - a.at) * (b.n - a.n);
}
