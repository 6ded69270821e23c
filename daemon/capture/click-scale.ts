/** Falls in rising torque at one smoothing width. See `click-detector.ts` for what is a click and what is not. */
import { TickRing } from './tick-ring.ts';

export interface ClickNumbers {
  /** Least depth as a share of the torque before the fall. */
  readonly depth: number;
  readonly fallMs: number;
  /** How long a shallow fall must stay arrested; a deep one (DEEP) needs DEEP_CONFIRM_SHARE of it. */
  readonly confirmMs: number;
  /** No click below this torque, N.m. */
  readonly floor: number;
}

export interface ConfirmedFall {
  readonly peakTick: number;
  readonly arrestTick: number;
  /** It does not stand out well from what the torque did before it. */
  readonly isDoubtful: boolean;
}

/** Lags of the second differences that measure swings: half a period of 11 Hz (hands), and of 50 to 60 Hz (mains hum). */
const SWING_LAGS_MS = [45, 9] as const;
const SWING_MEMORY_MS = 500;
/** A fall must be so much deeper than the swings and falls before it; less than CLEAR_FACTOR is doubtful. */
const SWING_FACTOR = 1.5;
const CLEAR_FACTOR = 2.5;
/** And less than so many times the least against noise. */
const CLEAR_NOISE = 1.5;
/** A crest counts as a swing up to so many times the troughs beside it. */
const EVEN = 2;
/** Falls deeper than this share of their torque are releases, not swings. */
const RELEASE_SHARE = 0.5;
/** A fall is judged against the torque of this long before it too, so that the end of a long fall is no break. */
const LOOK_BACK_MS = 60;
/** This long before the break, torque was at least this share of it: no hand rises faster, a driver's first bite does. */
const BITE_MS = 25;
const LEAST_BEFORE = 0.3;
/** How much an arrested fall may still go down: share of its depth when deep, when shallow, and of the torque at most. */
const DEEP_SLACK = 0.06;
const SHALLOW_SLACK = 0.2;
const LEAST_SLACK = 0.01;
/** At the end of the confirmation the mean has not gone down by more than this share of the depth: easing off goes on. */
const TAIL_SLACK = 0.03;
/** Deeper falls than this share need a shorter confirmation. */
const DEEP = 0.04;
const DEEP_CONFIRM_SHARE = 0.4;
/** A fall below this share of the torque before it is a shut-off or a let-go, … */
const LOWEST_ARREST = 0.15;
/** … unless this share of that torque is back within this time: the hand was still pulling. */
const RETURN_SHARE = 0.5;
const RETURN_MS = 250;

interface Candidate {
  readonly peakTick: number;
  readonly peak: number;
  /** The torque was a little higher before, where a fall takes longer than is looked back for its peak. */
  readonly highest: number;
  readonly highestTick: number;
  /** What the torque swung and fell by before it. */
  readonly swing: number;
  dueTick: number;
}

type Outcome = ConfirmedFall | 'wait' | 'none';

export class ClickScale {
  readonly #width: number;
  readonly #perWidth: number;
  readonly #fall: number;
  readonly #lookBack: number;
  readonly #bite: number;
  readonly #lags: readonly number[];
  readonly #swingMemory: number;
  readonly #confirmDeep: number;
  readonly #confirmShallow: number;
  readonly #return: number;
  readonly #smooth: TickRing;
  /** How far the torque lies below the highest of the last fall time. */
  readonly #fallen: TickRing;
  readonly #numbers: ClickNumbers;
  readonly #noiseFactor: number;
  #sum = 0;
  #topTick = -1;
  #top = -Infinity;
  /** Ticks of falling torque, oldest first. */
  readonly #falling: Int32Array;
  #firstFalling = 0;
  #lastFalling = -1;
  #candidates: Candidate[] = [];
  #lastPeakTick = -1;
  #isHiding = false;

  /** @param noiseFactor falls must exceed the smoothed noise by this factor */
  constructor(widthMs: number, noiseFactor: number, tickMs: number, numbers: ClickNumbers) {
    const ticks = (ms: number): number => Math.max(1, Math.round(ms / tickMs));
    this.#numbers = numbers;
    this.#noiseFactor = noiseFactor;
    this.#width = ticks(widthMs);
    this.#perWidth = 1 / this.#width;
    this.#fall = Math.max(2, ticks(numbers.fallMs)) + this.#width - 1;
    this.#lookBack = ticks(LOOK_BACK_MS);
    this.#bite = ticks(BITE_MS);
    this.#lags = SWING_LAGS_MS.map(ticks);
    this.#swingMemory = ticks(SWING_MEMORY_MS);
    this.#confirmShallow = Math.max(3, ticks(numbers.confirmMs));
    this.#confirmDeep = Math.max(2, ticks(numbers.confirmMs * DEEP_CONFIRM_SHARE));
    this.#return = ticks(RETURN_MS);
    this.#falling = new Int32Array(2 ** Math.ceil(Math.log2(this.#fall + 2)));
    const behind = this.#fall + Math.max(this.#confirmShallow, this.#return) + this.#width;
    this.#smooth = new TickRing(behind + this.#swingMemory + 2 * Math.max(...this.#lags) + this.#lookBack + 8);
    this.#fallen = new TickRing(behind + this.#swingMemory + 8);
  }

  get width(): number {
    return this.#width;
  }

  /**
   * @param means of the ticks up to `tick`
   * @param tickNoise sigma of one tick, N.m
   * @returns the confirmed fall, or null
   */
  step(tick: number, means: TickRing, tickNoise: number): ConfirmedFall | null {
    this.#sum += means.get(tick);
    if (tick >= this.#width) this.#sum -= means.get(tick - this.#width);
    const first = this.#width - 1;
    if (tick < first) return null;
    const value = this.#sum * this.#perWidth;
    this.#smooth.set(tick, value);
    this.#slideTop(tick, value);
    const depth = this.#top - value;
    this.#fallen.set(tick, depth);
    const numbers = this.#numbers;
    if (depth >= numbers.depth * this.#top && this.#top >= numbers.floor) {
      const noise = tickNoise / Math.sqrt(this.#width);
      if (depth >= this.#noiseFactor * noise && this.#topTick > this.#lastPeakTick) this.#propose(value, first, noise);
    }
    if (this.#candidates.length === 0) return null;
    return this.#decide(tick, tickNoise / Math.sqrt(this.#width), false);
  }

  /** At the end of the cycle: what is already arrested counts. */
  finish(tick: number, tickNoise: number): ConfirmedFall | null {
    return this.#decide(tick, tickNoise / Math.sqrt(this.#width), true);
  }

  /** A fall as deep as a click was passed over, because the torque swung as much by itself before it. */
  get isHiding(): boolean {
    return this.#isHiding;
  }

  /** The highest of the last fall time: only ticks that none after them reaches can become it. */
  #slideTop(tick: number, value: number): void {
    const falling = this.#falling;
    const mask = falling.length - 1;
    const smooth = this.#smooth;
    let last = this.#lastFalling;
    while (last >= this.#firstFalling && smooth.get(falling[last & mask]!) <= value) last--;
    falling[++last & mask] = tick;
    this.#lastFalling = last;
    let topTick = falling[this.#firstFalling & mask]!;
    if (tick - topTick > this.#fall) topTick = falling[++this.#firstFalling & mask]!;
    this.#topTick = topTick;
    this.#top = smooth.get(topTick);
  }

  #propose(value: number, first: number, noise: number): void {
    const depth = this.#top - value;
    const before = this.#topTick - this.#bite;
    if (before >= first && this.#smooth.get(before) < LEAST_BEFORE * this.#top) return;
    const tolerance = 0.25 * depth + 2 * noise;
    let highest = this.#top;
    let highestTick = this.#topTick;
    for (let t = Math.max(first, this.#topTick - this.#lookBack); t < this.#topTick; t++) {
      const earlier = this.#smooth.get(t);
      if (earlier > this.#top + tolerance) return;
      if (earlier <= highest) continue;
      highest = earlier;
      highestTick = t;
    }
    const swing = this.#swing(this.#topTick, first);
    this.#lastPeakTick = this.#topTick;
    this.#candidates.push({
      peakTick: this.#topTick, peak: this.#top, highest, highestTick, swing, dueTick: this.#topTick + this.#fall + this.#confirmDeep,
    });
  }

  /**
   * What the torque swung and fell by in the half second before. A swing goes up and down and up again, a knee in a
   * ramp bends once, a hand that pulls faster and faster bends one way: so crests count only as far as there were
   * troughs and third differences. Falls that were no release count whole.
   */
  #swing(until: number, first: number): number {
    const from = Math.max(first, until - this.#swingMemory);
    const smooth = this.#smooth;
    let most = 0;
    for (const lag of this.#lags) {
      let crest = 0;
      let trough = 0;
      let turn = 0;
      for (let t = Math.max(from, first + 2 * lag); t < until; t++) {
        const second = smooth.get(t - lag) - (smooth.get(t - 2 * lag) + smooth.get(t)) / 2;
        if (second > crest) crest = second;
        else if (-second > trough) trough = -second;
        if (t < first + 3 * lag) continue;
        const before = smooth.get(t - 2 * lag) - (smooth.get(t - 3 * lag) + smooth.get(t - lag)) / 2;
        const third = Math.abs(second - before) / 2;
        if (third > turn) turn = third;
      }
      most = Math.max(most, Math.min(Math.max(crest, trough), EVEN * Math.min(crest, trough), turn));
    }
    for (let t = from; t < until; t++) {
      const fallen = this.#fallen.get(t);
      if (fallen > most && fallen < RELEASE_SHARE * (smooth.get(t) + fallen)) most = fallen;
    }
    return most;
  }

  #decide(tick: number, noise: number, isEnd: boolean): ConfirmedFall | null {
    while (this.#candidates.length > 0 && (isEnd || this.#candidates[0]!.dueTick <= tick)) {
      const candidate = this.#candidates[0]!;
      const outcome = this.#examine(candidate, tick, noise);
      if (outcome === 'wait' && !isEnd) return null;
      this.#candidates.shift();
      if (typeof outcome === 'object') return outcome;
    }
    return null;
  }

  /** @returns the tick at which the fall was arrested, or why it is no click (yet) */
  #examine(candidate: Candidate, tick: number, noise: number): Outcome {
    const { peak, peakTick } = candidate;
    const fallEnd = Math.min(tick, peakTick + this.#fall);
    let bottom = Infinity;
    let bottomTick = peakTick;
    for (let t = peakTick; t <= fallEnd; t++) {
      if (this.#smooth.get(t) >= bottom) continue;
      bottom = this.#smooth.get(t);
      bottomTick = t;
    }
    if (bottom < LOWEST_ARREST * candidate.highest) return this.#awaitReturn(candidate, bottomTick, tick);
    const depth = peak - bottom;
    const tolerance = 2.5 * noise + Math.max(DEEP_SLACK * depth, Math.min(SHALLOW_SLACK * depth, LEAST_SLACK * peak));
    let arrest = peakTick;
    while (this.#smooth.get(arrest) > bottom + tolerance) arrest++;
    const confirm = depth >= DEEP * peak ? this.#confirmDeep : this.#confirmShallow;
    const until = Math.min(tick, arrest + confirm);
    for (let t = arrest; t <= until; t++) if (this.#smooth.get(t) < bottom - tolerance) return 'none';
    if (arrest + confirm > tick) {
      candidate.dueTick = arrest + confirm;
      return 'wait';
    }
    if (depth < SWING_FACTOR * candidate.swing) {
      this.#isHiding = true;
      return 'none';
    }
    if (this.#mean(arrest + (confirm >> 1), arrest + confirm) < bottom - TAIL_SLACK * depth) return 'none';
    const isDoubtful = depth < CLEAR_FACTOR * candidate.swing || depth < CLEAR_NOISE * this.#noiseFactor * noise;
    return { peakTick, arrestTick: arrest, isDoubtful };
  }

  #mean(from: number, to: number): number {
    let sum = 0;
    for (let t = from; t <= to; t++) sum += this.#smooth.get(t);
    return sum / (to - from + 1);
  }

  #awaitReturn(candidate: Candidate, bottomTick: number, tick: number): Outcome {
    const last = candidate.highestTick + this.#return;
    for (let t = bottomTick; t <= Math.min(tick, last); t++) {
      if (this.#smooth.get(t) >= RETURN_SHARE * candidate.highest) return { peakTick: candidate.peakTick, arrestTick: bottomTick, isDoubtful: false };
    }
    if (tick >= last) return 'none';
    candidate.dueTick = tick + 1;
    return 'wait';
  }
}
