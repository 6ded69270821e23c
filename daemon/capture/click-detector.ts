/**
 * Finds the click of a setting tool: an abrupt break in rising torque that falls by a share of the torque within some
 * ten milliseconds and is then arrested or rises again.
 *
 * Not a click, and how it is told apart:
 * - easing off slowly: the fall is longer than `fallMs`, or it is only the end of a longer fall;
 * - hand tremor (8-12 Hz) and mains hum (50, 60 Hz): the fall must be deeper than the swings and falls of the half
 *   second before it;
 * - letting go and a clutch that shuts off: the fall is never arrested. One that goes nearly to nothing is a click all
 *   the same when half of the torque is back within a quarter of a second.
 *
 * Works on ticks (means of about a millisecond of samples) at two smoothing widths: the narrow one for fast falls, the
 * wide one for faint falls in noise. A decision depends on the samples alone, never on how they were cut into blocks.
 * The figures here and in `click-scale.ts` are our own, tuned once on simulated pulls, the same for every tool.
 */
import { ClickScale, type ClickNumbers, type ConfirmedFall } from './click-scale.ts';
import { TickRing } from './tick-ring.ts';

export interface ClickDetectorOptions extends ClickNumbers {
  readonly rateHz: number;
}

export interface Click {
  /** Highest torque at the break, magnitude, N.m. */
  readonly torque: number;
  /** Sample index, counted from the first sample pushed, of that torque. */
  readonly at: number;
  /** Samples from the peak until the fall was arrested. */
  readonly fallSamples: number;
  /** The fall is less than twice as deep as what the torque did by itself before it. */
  readonly isDoubtful: boolean;
}

const TICK_MS = 1;
const NARROW_MS = 3;
const WIDE_MS = 12;
/** Falls must exceed the smoothed noise by this factor; fewer independent values make the wide one safer. */
const NARROW_NOISE = 8;
const WIDE_NOISE = 6;
/** The raw peak may lie this much before the smoothed one. */
const PEAK_BEFORE_MS = 12;
/** A deep fall is decided this long after its peak at the latest. */
const LATEST_MS = 260;

/** Of white noise of unit sigma the mean |second difference| is sqrt(6) * sqrt(2 / pi). */
const PER_SECOND_DIFFERENCE = 1 / (Math.sqrt(6) * Math.sqrt(2 / Math.PI));

export class ClickDetector {
  readonly #tickLength: number;
  readonly #means: TickRing;
  readonly #maxima: TickRing;
  readonly #maximaAt: TickRing;
  readonly #narrow: ClickScale;
  readonly #wide: ClickScale;
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
    this.#narrow = new ClickScale(NARROW_MS, NARROW_NOISE, tickMs, options);
    this.#wide = new ClickScale(WIDE_MS, WIDE_NOISE, tickMs, options);
    const longestMs = options.fallMs + Math.max(options.confirmMs, LATEST_MS) + WIDE_MS + PEAK_BEFORE_MS + 20;
    const ringTicks = Math.ceil(longestMs / tickMs) + 64;
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

  /** Something as deep as a click was passed over as swinging: hum, trembling or noise may have hidden one. */
  get isHiding(): boolean {
    return this.#narrow.isHiding || this.#wide.isHiding;
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
    for (const scale of [this.#narrow, this.#wide]) {
      if (this.#click) break;
      this.#confirm(scale, scale.finish(this.#tick, this.#noise));
    }
    return this.#click;
  }

  #endTick(mean: number, max: number, maxAt: number): void {
    const tick = ++this.#tick;
    this.#means.set(tick, mean);
    this.#maxima.set(tick, max);
    this.#maximaAt.set(tick, maxAt);
    this.#learnNoise(tick, mean);
    const narrow = this.#narrow.step(tick, this.#means, this.#noise);
    if (narrow !== null) return this.#confirm(this.#narrow, narrow);
    const wide = this.#wide.step(tick, this.#means, this.#noise);
    if (wide !== null) this.#confirm(this.#wide, wide);
  }

  /** Ramps cancel in second differences; a break counts at most a few times the present estimate. */
  #learnNoise(tick: number, mean: number): void {
    if (tick < 2) return;
    const second = Math.abs(mean - 2 * this.#means.get(tick - 1) + this.#means.get(tick - 2)) * PER_SECOND_DIFFERENCE;
    const seen = tick - 1;
    const noise = this.#noise;
    if (seen <= 16) this.#noise = noise + (second - noise) / seen;
    else this.#noise = noise + (Math.min(second, Math.max(4 * noise, this.#leastStep)) - noise) * (seen < 128 ? 1 / seen : 1 / 128);
  }

  #confirm(scale: ClickScale, fall: ConfirmedFall | null): void {
    if (fall === null) return;
    const { peakTick, arrestTick, isDoubtful } = fall;
    const from = Math.max(0, peakTick - scale.width + 1 - this.#peakBefore);
    let torque = -Infinity;
    let at = 0;
    for (let t = from; t <= arrestTick; t++) {
      if (this.#maxima.get(t) <= torque) continue;
      torque = this.#maxima.get(t);
      at = this.#maximaAt.get(t);
    }
    this.#click = { torque, at, fallSamples: (arrestTick - peakTick) * this.#tickLength, isDoubtful };
  }
}
