/**
 * What a mode makes of one cycle. Fed with the cycle's samples from its pre-roll on, live or from a stored trace, in
 * any pieces; the same samples give the same capture, bit for bit. The low-pass is primed at the first sample, so
 * nothing from before the trace matters.
 */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction } from '../../shared/reading.ts';
import { STATUS } from '../../shared/sample-block.ts';
import { LowPass, designLowPass } from '../conditioning/low-pass.ts';
import { ClickDetector } from './click-detector.ts';
import { detectorNumbers } from './defaults.ts';
import type { Capture, CaptureFlag } from './events.ts';

export interface CycleRunOptions {
  /** With detector values resolved. */
  readonly settings: CaptureSettings;
  readonly rateHz: number;
  /** N.m */
  readonly capacity: number;
  readonly direction: Direction;
  /** Samples of the pre-roll: the cycle begins at this index. */
  readonly cycleAt: number;
}

/** A rise of more than this share of the value from one sample to the next says the rate is low. */
const STEEP = 0.01;
/** A low-pass that moves the highest torque by more than this share is worth a word. */
const FILTER_SHIFT = 0.01;
const SLOPE_SAMPLES = 8;
/** Noise beyond this many sigma of one tick hides the faintest click. */
const HIDING_SIGMAS = 3;
const CHUNK = 4096;

export class CycleRun {
  readonly #options: CycleRunOptions;
  readonly #lowPass: LowPass;
  readonly #clicks: ClickDetector | null;
  readonly #sign: 1 | -1;
  readonly #scratch = new Float64Array(CHUNK);
  #samples = 0;
  #max = -Infinity;
  #rawMax = -Infinity;
  /** The last SLOPE_SAMPLES values, and the one that long before the highest: the slope there, little touched by noise. */
  readonly #recent = new Float64Array(SLOPE_SAMPLES);
  /** 0 while the highest is among the first of the cycle. */
  #beforeMax = 0;
  #status = 0;

  constructor(options: CycleRunOptions) {
    this.#options = options;
    this.#lowPass = new LowPass(designLowPass(options.settings.filter, options.rateHz));
    this.#sign = options.direction === 'cw' ? 1 : -1;
    const numbers = detectorNumbers(options.settings, options.capacity, 0);
    this.#clicks = options.settings.mode === 'first-peak'
      ? new ClickDetector({
          rateHz: options.rateHz,
          depth: numbers.clickDepth,
          fallMs: numbers.clickFallMs,
          confirmMs: numbers.clickConfirmMs,
          floor: numbers.clickFloor,
        })
      : null;
  }

  /** Highest torque so far after the low-pass, signed, N.m. */
  get maximum(): number {
    return this.#sign * this.#max;
  }

  /** The confirmed click, signed, N.m, and its sample index in the trace; null when there is none yet. */
  get click(): { readonly torque: number; readonly at: number } | null {
    const click = this.#clicks?.click;
    return click ? { torque: this.#sign * click.torque, at: click.at } : null;
  }

  /**
   * @param torque N.m, conditioned, not filtered; samples `from` up to `to`
   * @param status STATUS bits per sample, same indices, or null; those of the pre-roll do not count
   * @returns true when a click was confirmed by these samples
   */
  push(torque: Float64Array, from: number, to: number, status: Uint8Array | null): boolean {
    let isClick = false;
    if (this.#samples === 0 && to > from) this.#lowPass.prime(torque[from]!);
    if (status) for (let i = from + Math.max(0, this.#options.cycleAt - this.#samples); i < to; i++) this.#status |= status[i]!;
    for (let at = from; at < to; at += CHUNK) isClick = this.#pushChunk(torque, at, Math.min(CHUNK, to - at)) || isClick;
    return isClick;
  }

  #pushChunk(torque: Float64Array, from: number, count: number): boolean {
    const scratch = this.#scratch;
    const sign = this.#sign;
    this.#lowPass.run(torque, from, count, scratch);
    const skip = Math.max(0, Math.min(count, this.#options.cycleAt - this.#samples));
    if (sign < 0) for (let i = 0; i < count; i++) scratch[i] = -scratch[i]!;
    let max = this.#max;
    let rawMax = this.#rawMax;
    let maxAt = -1;
    for (let i = skip; i < count; i++) {
      const value = scratch[i]!;
      const raw = sign * torque[from + i]!;
      if (raw > rawMax) rawMax = raw;
      if (value > max) {
        max = value;
        maxAt = i;
      }
    }
    if (maxAt >= 0) this.#beforeMax = this.#valueBefore(maxAt);
    this.#max = max;
    this.#rawMax = rawMax;
    this.#samples += count;
    this.#keepRecent(count);
    return this.#clicks ? this.#clicks.push(scratch, count) : false;
  }

  /** The value SLOPE_SAMPLES before index `at` of the present chunk; 0 when that was before the cycle. */
  #valueBefore(at: number): number {
    const index = at - SLOPE_SAMPLES;
    if (this.#samples + index < this.#options.cycleAt) return 0;
    return index >= 0 ? this.#scratch[index]! : this.#recent[SLOPE_SAMPLES + index]!;
  }

  /** The last values of a chunk of `count`, oldest first. */
  #keepRecent(count: number): void {
    const taken = Math.min(count, SLOPE_SAMPLES);
    this.#recent.copyWithin(0, taken);
    for (let i = 1; i <= taken; i++) this.#recent[SLOPE_SAMPLES - i] = this.#scratch[count - i]!;
  }

  /** @param endAt index in the trace after the last sample of the cycle */
  finish(endAt: number): Capture {
    const { settings, direction, cycleAt, rateHz, capacity } = this.#options;
    const flags: CaptureFlag[] = [];
    const durationMs = ((endAt - cycleAt) * 1000) / rateHz;
    if (this.#rawMax > capacity) flags.push('over-capacity');
    if (this.#status & STATUS.overload) flags.push('overload');
    if (this.#status & STATUS.unstable) flags.push('unstable');
    const click = this.#clicks?.finish() ?? null;
    const numbers = detectorNumbers(settings, capacity, 0);
    if (this.#clicks) {
      if (click && click.fallSamples < 3) flags.push('rate-too-low');
      if (HIDING_SIGMAS * this.#clicks.tickNoise > numbers.clickDepth * this.#max) flags.push('noisy');
    }
    if (!click && this.#max - this.#beforeMax > SLOPE_SAMPLES * STEEP * this.#max) flags.push('rate-too-low');
    if (this.#lowPass.isActive && Math.abs(this.#rawMax - this.#max) > FILTER_SHIFT * this.#max) flags.push('filtered-step');
    const sign = this.#sign;
    const base = { maximum: sign * this.#max, direction, durationMs, flags };
    return this.#clicks
      ? { ...base, value: sign * (click ? click.torque : this.#max), click: click !== null }
      : { ...base, value: sign * this.#max };
  }
}
