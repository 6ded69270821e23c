/**
 * Are the samples that came late all there, or are some missing? Bytes that were held up catch up; after a hole the
 * arrivals stay late. So what comes late waits here until one of the next is on time again, which proves that nothing
 * is missing, or until all of them stayed late, which is a hole: then it is known where and of how many samples.
 *
 * Pure: a function of counts and arrivals alone. What waits is bounded by time and number.
 */

/** An arrival is late beyond doubt from so many periods on … */
const LATE_PERIODS = 1.5;
/** … and from this on, ms: schedulers and adapters are late by less, and what they hold back comes soon. */
const LATE_MS = 8;
/** The best arrivals of the last while were late too: twice that is not late, up to this, ms. */
const LATE_FACTOR = 2;
const MOST_LATE_MS = 40;
/** While the line under the arrivals is young, the rate itself may be off by this share. */
const YOUNG_RATE_SHARE = 0.03;
/** Arrivals that are late for so long, ms and periods, and so many of them, are a hole. */
const WAIT_MS = 200;
const WAIT_PERIODS = 4;
const WAIT_ARRIVALS = 4;
/** A pause of this, ms and periods, begins the waiting anew: what was held up then has yet to catch up. So often at most. */
const PAUSE_MS = 100;
const PAUSE_PERIODS = 2.5;
const MOST_PAUSES = 8;
/** Arrivals whose lateness shrinks by this, ms and share of it, are catching up and get as long again. So often at most. */
const CATCH_UP_MS = 8;
const CATCH_UP_SHARE = 0.05;
const MOST_EXTENSIONS = 25;
const MOST_WAITING = 262_144;
/** A device that is steadily slower than its rate by more than this share has no holes: the line follows it. */
const SLOWER_SHARE = 0.02;
/** Steadily: in each of the steps from quarter to quarter by at least this share of the whole. */
const STEADY_SHARE = 0.15;

/** Samples that arrived together. */
export interface LateArrival<Item> {
  readonly item: Item;
  readonly count: number;
  readonly atMs: number;
  /** Against the line, ms. */
  readonly lateMs: number;
}

/** What is known now: `whole` are in order and complete; then, perhaps, a hole; what came behind it must be looked at again. */
export interface Judged<Item> {
  readonly whole: readonly LateArrival<Item>[];
  readonly hole: {
    /** ms; null: it is not known whether there is one. */
    readonly lastsMs: number | null;
    /** It is somewhere among `behind`, and not surely in front of the first. */
    readonly isVague: boolean;
    /** So many of `behind` came in a burst that did not catch up: what held them may have lost what came before or after. */
    readonly burst: number;
    readonly behind: readonly LateArrival<Item>[];
  } | null;
}

export interface LateLimits {
  readonly periodMs: number;
  /** The line rests on a second of arrivals. */
  readonly isEstablished: boolean;
  /** Since the first arrival of the line, ms. */
  readonly ageMs: number;
  /** Lateness of the best arrivals of the last while, ms. */
  readonly usualMs: number;
}

/** An arrival that is later than this, ms, waits. */
export function lateLimit({ periodMs, isEstablished, ageMs, usualMs }: LateLimits): number {
  const usual = Math.max(LATE_MS, Math.min(MOST_LATE_MS, LATE_FACTOR * usualMs));
  return Math.max(LATE_PERIODS * periodMs, usual) + (isEstablished ? 0 : YOUNG_RATE_SHARE * ageMs);
}

export class HoleWatch<Item> {
  #waiting: LateArrival<Item>[] = [];
  #samples = 0;
  /** Since the last pause: when, how many arrivals, and how many pauses there were. */
  #since = { atMs: 0, arrivals: 0, pauses: 0, extensions: 0, from: 0 };
  /** Lateness of the last arrival that was on time, ms. */
  #lastLateMs = 0;

  /** All that changes; to be written down at once, for its array goes on changing. */
  snapshot() {
    return { waiting: this.#waiting, samples: this.#samples, since: this.#since, lastLateMs: this.#lastLateMs };
  }

  restore(state: ReturnType<HoleWatch<Item>['snapshot']>): void {
    this.#waiting = state.waiting;
    this.#samples = state.samples;
    this.#since = state.since;
    this.#lastLateMs = state.lastLateMs;
  }

  get isWaiting(): boolean {
    return this.#waiting.length > 0;
  }

  /** Nothing waits and this arrival is not late: it goes on as `take` would say. @returns false: ask `take` */
  passes(lateMs: number, limits: LateLimits): boolean {
    if (this.#waiting.length > 0 || !(lateMs <= lateLimit(limits))) return false;
    this.#lastLateMs = Math.max(0, lateMs);
    return true;
  }

  take(arrival: LateArrival<Item>, limits: LateLimits): Judged<Item> {
    const { atMs, lateMs, count } = arrival;
    if (lateMs <= lateLimit(limits)) {
      const whole = this.#waiting.length === 0 ? [arrival] : [...this.#waiting, arrival];
      this.#clear();
      this.#lastLateMs = Math.max(0, lateMs);
      return { whole, hole: null };
    }
    this.#noteSince(atMs, limits.periodMs);
    this.#waiting.push(arrival);
    this.#samples += count;
    const since = this.#since;
    const isLongEnough = atMs - since.atMs >= Math.max(WAIT_MS, WAIT_PERIODS * limits.periodMs) && since.arrivals >= WAIT_ARRIVALS;
    if (!isLongEnough && this.#samples <= MOST_WAITING) return { whole: [], hole: null };
    if (this.#samples <= MOST_WAITING && since.extensions < MOST_EXTENSIONS && catchesUp(this.#waiting.slice(since.from))) {
      this.#since = { ...since, atMs, arrivals: 1, extensions: since.extensions + 1, from: this.#waiting.length - 1 };
      return { whole: [], hole: null };
    }
    return this.#decide(limits.periodMs);
  }

  /** Nothing more comes to tell: what waits is taken for what it seems to be. */
  giveUp(): Judged<Item> {
    if (this.#waiting.length === 0) return { whole: [], hole: null };
    return this.#cut(0, true, false);
  }

  #noteSince(atMs: number, periodMs: number): void {
    const since = this.#since;
    const before = this.#waiting.at(-1);
    const isPause = before !== undefined && atMs - before.atMs > Math.max(PAUSE_MS, PAUSE_PERIODS * periodMs);
    if (before === undefined) this.#since = { atMs, arrivals: 1, pauses: 0, extensions: 0, from: 0 };
    else if (isPause && since.pauses < MOST_PAUSES) this.#since = { ...since, atMs, arrivals: 1, pauses: since.pauses + 1, from: this.#waiting.length };
    else since.arrivals++;
  }

  #decide(periodMs: number): Judged<Item> {
    const waiting = this.#waiting;
    const jumps = waiting.map(({ lateMs }, i) => lateMs - (i === 0 ? this.#lastLateMs : waiting[i - 1]!.lateMs));
    const largest = Math.max(...jumps);
    if (growsSteadily(waiting.slice(jumps.indexOf(largest)))) {
      const whole = waiting;
      this.#lastLateMs = waiting.at(-1)!.lateMs;
      this.#clear();
      return { whole, hole: null };
    }
    const at = jumps.findIndex((jump) => jump >= 0.5 * largest);
    const isClear = largest >= 0.5 * leastLate(waiting.slice(at));
    return isClear ? this.#cut(at, false, true, burstLength(waiting.slice(at), periodMs)) : this.#cut(0, true);
  }

  #cut(at: number, isVague: boolean, isKnown = true, burst = 0): Judged<Item> {
    const whole = this.#waiting.slice(0, at);
    const behind = this.#waiting.slice(at);
    this.#clear();
    this.#lastLateMs = 0;
    return { whole, hole: { lastsMs: isKnown ? leastLate(behind) : null, isVague, burst, behind } };
  }

  #clear(): void {
    this.#waiting = [];
    this.#samples = 0;
  }
}

/** What was held up comes faster than it was made: each part of it is less late than the one before. */
function catchesUp(arrivals: readonly LateArrival<unknown>[]): boolean {
  const half = arrivals.length >> 1;
  if (half === 0) return false;
  const before = leastLate(arrivals.slice(0, half));
  return leastLate(arrivals.slice(half)) < before - Math.max(CATCH_UP_MS, CATCH_UP_SHARE * before);
}

/** Holes make arrivals later at once; a slower device makes them later and later. */
function growsSteadily(arrivals: readonly LateArrival<unknown>[]): boolean {
  if (arrivals.length < 4) return false;
  const least = [0, 1, 2, 3].map((quarter) => leastLate(arrivals.slice(Math.floor((quarter * arrivals.length) / 4), Math.floor(((quarter + 1) * arrivals.length) / 4))));
  const grownMs = least[3]! - least[0]!;
  const spanMs = arrivals.at(-1)!.atMs - arrivals[0]!.atMs;
  return grownMs > SLOWER_SHARE * spanMs && least.every((late, i) => i === 0 || late - least[i - 1]! >= STEADY_SHARE * grownMs);
}

/** How many of the first ones waited longer than the later ones do: a full buffer of the host gives what it kept at once. */
function burstLength(arrivals: readonly LateArrival<unknown>[], periodMs: number): number {
  const waited = arrivals.map(({ lateMs, count }) => lateMs + (count - 1) * periodMs);
  const usual = waited.reduce((least, late) => Math.min(least, late), Infinity);
  const settled = waited.findIndex((late) => late <= usual + Math.max(LATE_MS, LATE_PERIODS * periodMs));
  return Math.min(settled, arrivals.length - 1);
}

function leastLate(arrivals: readonly LateArrival<unknown>[]): number {
  return arrivals.reduce((least, { lateMs }) => Math.min(least, lateMs), Infinity);
}
