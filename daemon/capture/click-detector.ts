/**
 * Finds the click of a setting tool: an abrupt break in rising torque that falls by a share of the torque within some
 * ten milliseconds and is then arrested or rises again.
 *
 * Not a click, and how it is told apart:
 * - easing off slowly: the fall is longer than `fallMs`, or it is only the end of a longer fall;
 * - hand tremor (8-12 Hz): the fall must be deeper than the swings of the half second before it;
 * - letting go and a clutch that shuts off: the fall is never arrested.
 *
 * Works on ticks (means of about a millisecond of samples) at two smoothing widths: the narrow one for fast falls, the
 * wide one for faint falls in noise. A decision depends on the samples alone, never on how they were cut into blocks.
 * The figures below are our own, tuned once on the seeded pulls of `simulator/corpus`, the same for every tool.
 */

export interface ClickDetectorOptions {
  readonly rateHz: number;
  /** Least depth as a share of the torque before the fall. */
  readonly depth: number;
  readonly fallMs: number;
  /** How long a shallow fall must stay arrested; a deep one (DEEP) needs DEEP_CONFIRM_SHARE of it. */
  readonly confirmMs: number;
  /** No click below this torque, N.m. */
  readonly floor: number;
}

export interface Click {
  /** Highest torque at the break, magnitude, N.m. */
  readonly torque: number;
  /** Sample index, counted from the first sample pushed, of that torque. */
  readonly at: number;
  /** Samples from the peak until the fall was arrested. */
  readonly fallSamples: number;
}

const TICK_MS = 1;
const NARROW_MS = 3;
const WIDE_MS = 12;
/** Falls must exceed the smoothed noise by this factor; fewer independent values make the wide one safer. */
const NARROW_NOISE = 8;
const WIDE_NOISE = 6;
/** Lag of the second difference that measures swings: half a period of 11 Hz. */
const SWING_LAG_MS = 45;
const SWING_MEMORY_MS = 500;
const SWING_FACTOR = 1.5;
/** A fall is judged against the torque of this long before it too, so that the end of a long fall is no break. */
const LOOK_BACK_MS = 60;
/** That long before the break, torque was at least this share of it: no hand rises faster, a driver's first bite does. */
const LEAST_BEFORE = 0.3;
/** How much an arrested fall may still go down: share of its depth when deep, when shallow, and of the torque at most. */
const DEEP_SLACK = 0.06;
const SHALLOW_SLACK = 0.2;
const LEAST_SLACK = 0.01;
/** Deeper falls than this share need a shorter confirmation. */
const DEEP = 0.04;
const DEEP_CONFIRM_SHARE = 0.4;
/** A fall below this share of the torque before it is a shut-off or a let-go. */
const LOWEST_ARREST = 0.15;
/** The raw peak may lie this much before the smoothed one. */
const PEAK_BEFORE_MS = 12;

/** Mean |second difference| of white noise of unit sigma: sqrt(6) * sqrt(2 / pi). */
const SECOND_DIFFERENCE = Math.sqrt(6) * Math.sqrt(2 / Math.PI);

/** A ring over the last ticks, addressed by absolute tick number. */
class TickRing {
  readonly #values: Float64Array;
  readonly #mask: number;

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

interface Candidate {
  readonly peakTick: number;
  readonly peak: number;
  dueTick: number;
}

/** One smoothing width. */
class Scale {
  readonly #width: number;
  readonly #fall: number;
  readonly #lookBack: number;
  readonly #lag: number;
  readonly #swingMemory: number;
  readonly #confirmDeep: number;
  readonly #confirmShallow: number;
  readonly #smooth: TickRing;
  readonly #swing: TickRing;
  readonly #options: ClickDetectorOptions;
  readonly #noiseFactor: number;
  #sum = 0;
  #topTick = -1;
  #top = -Infinity;
  #candidates: Candidate[] = [];
  #lastPeakTick = -1;

  constructor(widthMs: number, noiseFactor: number, tickMs: number, options: ClickDetectorOptions) {
    const ticks = (ms: number): number => Math.max(1, Math.round(ms / tickMs));
    this.#options = options;
    this.#noiseFactor = noiseFactor;
    this.#width = ticks(widthMs);
    this.#fall = Math.max(2, ticks(options.fallMs)) + this.#width - 1;
    this.#lookBack = ticks(LOOK_BACK_MS);
    this.#lag = ticks(SWING_LAG_MS);
    this.#swingMemory = ticks(SWING_MEMORY_MS);
    this.#confirmShallow = Math.max(3, ticks(options.confirmMs));
    this.#confirmDeep = Math.max(2, ticks(options.confirmMs * DEEP_CONFIRM_SHARE));
    const ringTicks = this.#swingMemory + 2 * this.#lag + this.#fall + this.#lookBack + this.#confirmShallow + this.#width + 8;
    this.#smooth = new TickRing(ringTicks);
    this.#swing = new TickRing(ringTicks);
  }

  get width(): number {
    return this.#width;
  }

  /** @returns the confirmed fall, or null. */
  step(tick: number, means: TickRing, tickNoise: number): { peakTick: number; arrestTick: number } | null {
    this.#sum += means.get(tick);
    if (tick >= this.#width) this.#sum -= means.get(tick - this.#width);
    if (tick < this.#width - 1) return null;
    const value = this.#sum / this.#width;
    this.#smooth.set(tick, value);
    const first = this.#width - 1;
    const hasSwing = tick - 2 * this.#lag >= first;
    this.#swing.set(tick, hasSwing
      ? this.#smooth.get(tick - this.#lag) - (this.#smooth.get(tick - 2 * this.#lag) + value) / 2
      : 0);
    this.#slideTop(tick, value, first);
    const noise = tickNoise / Math.sqrt(this.#width);
    this.#propose(value, first, noise);
    return this.#decide(tick, noise, false);
  }

  /** At the end of the cycle: what is already arrested counts. */
  finish(tick: number, tickNoise: number): { peakTick: number; arrestTick: number } | null {
    return this.#decide(tick, tickNoise / Math.sqrt(this.#width), true);
  }

  #slideTop(tick: number, value: number, first: number): void {
    if (value >= this.#top) {
      this.#top = value;
      this.#topTick = tick;
      return;
    }
    if (tick - this.#topTick <= this.#fall) return;
    this.#top = -Infinity;
    for (let t = Math.max(first, tick - this.#fall); t <= tick; t++) {
      const v = this.#smooth.get(t);
      if (v >= this.#top) {
        this.#top = v;
        this.#topTick = t;
      }
    }
  }

  #propose(value: number, first: number, noise: number): void {
    const depth = this.#top - value;
    if (this.#top < this.#options.floor || depth < this.#options.depth * this.#top || depth < this.#noiseFactor * noise) return;
    if (this.#topTick <= this.#lastPeakTick) return;
    const before = this.#topTick - this.#lookBack;
    if (before >= first && this.#smooth.get(before) < LEAST_BEFORE * this.#top) return;
    const tolerance = 0.25 * depth + 2 * noise;
    for (let t = Math.max(first, this.#topTick - this.#lookBack); t < this.#topTick; t++) {
      if (this.#smooth.get(t) > this.#top + tolerance) return;
    }
    let swing = 0;
    for (let t = Math.max(first, this.#topTick - this.#swingMemory); t < this.#topTick; t++) swing = Math.max(swing, this.#swing.get(t));
    if (depth < SWING_FACTOR * swing) return;
    this.#lastPeakTick = this.#topTick;
    this.#candidates.push({ peakTick: this.#topTick, peak: this.#top, dueTick: this.#topTick + this.#fall + this.#confirmDeep });
  }

  #decide(tick: number, noise: number, isEnd: boolean): { peakTick: number; arrestTick: number } | null {
    while (this.#candidates.length > 0 && (isEnd || this.#candidates[0]!.dueTick <= tick)) {
      const candidate = this.#candidates[0]!;
      const outcome = this.#examine(candidate, tick, noise);
      if (outcome === 'wait' && !isEnd) return null;
      this.#candidates.shift();
      if (typeof outcome === 'number') return { peakTick: candidate.peakTick, arrestTick: outcome };
    }
    return null;
  }

  /** @returns the tick at which the fall was arrested, or why it is no click (yet). */
  #examine(candidate: Candidate, tick: number, noise: number): number | 'wait' | 'none' {
    const { peak, peakTick } = candidate;
    const fallEnd = Math.min(tick, peakTick + this.#fall);
    let bottom = Infinity;
    for (let t = peakTick; t <= fallEnd; t++) bottom = Math.min(bottom, this.#smooth.get(t));
    const depth = peak - bottom;
    if (bottom < LOWEST_ARREST * peak) return 'none';
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
    return arrest;
  }
}

export class ClickDetector {
  readonly #tickLength: number;
  readonly #means: TickRing;
  readonly #maxima: TickRing;
  readonly #maximaAt: TickRing;
  readonly #scales: readonly Scale[];
  readonly #peakBefore: number;
  /** Lets the noise estimate grow again after a stretch without any noise. */
  readonly #leastStep: number;
  #tick = -1;
  #inTick = 0;
  #sum = 0;
  #max = -Infinity;
  #maxAt = 0;
  #samples = 0;
  #noise = 0;
  #click: Click | null = null;

  constructor(options: ClickDetectorOptions) {
    this.#tickLength = Math.max(1, Math.round((TICK_MS * options.rateHz) / 1000));
    const tickMs = (this.#tickLength * 1000) / options.rateHz;
    this.#scales = [new Scale(NARROW_MS, NARROW_NOISE, tickMs, options), new Scale(WIDE_MS, WIDE_NOISE, tickMs, options)];
    const ringTicks = Math.ceil((options.fallMs + options.confirmMs + WIDE_MS + PEAK_BEFORE_MS + 20) / tickMs) + 64;
    this.#means = new TickRing(ringTicks);
    this.#maxima = new TickRing(ringTicks);
    this.#maximaAt = new TickRing(ringTicks);
    this.#peakBefore = Math.max(1, Math.round(PEAK_BEFORE_MS / tickMs));
    this.#leastStep = 0.001 * options.floor;
  }

  get click(): Click | null {
    return this.#click;
  }

  /** Present estimate of the noise of one tick (one sigma), N.m. */
  get tickNoise(): number {
    return this.#noise;
  }

  /**
   * @param torque magnitudes in the direction of the cycle, N.m; `count` of them from 0
   * @returns true when the click was confirmed by these samples
   */
  push(torque: Float64Array, count: number): boolean {
    if (this.#click) return false;
    const length = this.#tickLength;
    let sum = this.#sum;
    let max = this.#max;
    let maxAt = this.#maxAt;
    let inTick = this.#inTick;
    for (let i = 0; i < count; i++) {
      const value = torque[i]!;
      sum += value;
      if (value > max) {
        max = value;
        maxAt = this.#samples + i;
      }
      if (++inTick < length) continue;
      this.#endTick(sum / length, max, maxAt);
      if (this.#click) return true;
      sum = 0;
      max = -Infinity;
      inTick = 0;
    }
    this.#samples += count;
    this.#sum = sum;
    this.#max = max;
    this.#maxAt = maxAt;
    this.#inTick = inTick;
    return false;
  }

  /** Call once, at the end of the cycle. */
  finish(): Click | null {
    for (const scale of this.#scales) {
      if (this.#click) break;
      const found = scale.finish(this.#tick, this.#noise);
      if (found) this.#confirm(scale, found.peakTick, found.arrestTick);
    }
    return this.#click;
  }

  #endTick(mean: number, max: number, maxAt: number): void {
    const tick = ++this.#tick;
    this.#means.set(tick, mean);
    this.#maxima.set(tick, max);
    this.#maximaAt.set(tick, maxAt);
    this.#learnNoise(tick, mean);
    for (const scale of this.#scales) {
      const found = scale.step(tick, this.#means, this.#noise);
      if (found) {
        this.#confirm(scale, found.peakTick, found.arrestTick);
        return;
      }
    }
  }

  /** Ramps cancel in second differences; a break counts at most a few times the present estimate. */
  #learnNoise(tick: number, mean: number): void {
    if (tick < 2) return;
    const second = Math.abs(mean - 2 * this.#means.get(tick - 1) + this.#means.get(tick - 2)) / SECOND_DIFFERENCE;
    const seen = tick - 1;
    if (seen <= 16) this.#noise += (second - this.#noise) / seen;
    else this.#noise += (Math.min(second, Math.max(4 * this.#noise, this.#leastStep)) - this.#noise) / Math.min(seen, 128);
  }

  #confirm(scale: Scale, peakTick: number, arrestTick: number): void {
    const from = Math.max(0, peakTick - scale.width + 1 - this.#peakBefore);
    let torque = -Infinity;
    let at = 0;
    for (let t = from; t <= arrestTick; t++) {
      if (this.#maxima.get(t) <= torque) continue;
      torque = this.#maxima.get(t);
      at = this.#maximaAt.get(t);
    }
    this.#click = { torque, at, fallSamples: (arrestTick - peakTick) * this.#tickLength };
  }
}
