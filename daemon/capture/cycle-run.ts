/**
 * What a mode makes of one cycle. Fed with the cycle's samples from its pre-roll on, live or from a stored trace, in
 * any pieces; the same samples give the same capture, bit for bit. The low-pass is primed at the first sample, so
 * nothing from before the trace matters.
 */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction, PulseReading } from '../../shared/reading.ts';
import { STATUS } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import { LowPass, designLowPass, type Peak } from '../conditioning/low-pass.ts';
import { ClickDetector } from './click-detector.ts';
import type { Capture, CaptureFlag } from './events.ts';
import { LoneSamples } from './lone-samples.ts';
import { PulseCounter } from './pulse-counter.ts';

export interface CycleRunOptions {
  readonly settings: CaptureSettings;
  readonly numbers: DetectorNumbers;
  readonly rateHz: number;
  /** N.m */
  readonly capacity: number;
  readonly direction: Direction;
  /** Samples of the pre-roll: the cycle begins at this index. */
  readonly cycleAt: number;
  /** Samples are missing shortly before. */
  readonly gapBefore: boolean;
}

/** A rise of more than this share of the value from one sample to the next says the rate is low. */
const STEEP = 0.01;
/** A low-pass that moves the highest torque by more than this share is worth a word. */
const FILTER_SHIFT = 0.01;
const SLOPE_SAMPLES = 8;
/** A fall at the click of fewer samples says the rate is low. */
const LEAST_FALL_SAMPLES = 2;
/** Noise beyond this many sigma of one tick hides the faintest click. */
const HIDING_SIGMAS = 3;
const CHUNK = 4096;
/** Only within one call, so all runs share it. */
const scratch = new Float64Array(CHUNK);

export class CycleRun {
  readonly #options: CycleRunOptions;
  readonly #lone: LoneSamples;
  readonly #lowPass: LowPass;
  readonly #clicks: ClickDetector | null;
  readonly #pulses: PulseCounter | null;
  readonly #sign: 1 | -1;
  /** Taken in, and out of `#lone`. */
  #taken = 0;
  #samples = 0;
  readonly #peak = noPeak();
  /** The last SLOPE_SAMPLES values, and the one that long before the highest: the slope there, little touched by noise. */
  readonly #recent = new Float64Array(SLOPE_SAMPLES);
  /** 0 while the highest is among the first of the cycle. */
  #beforeMax = 0;
  #status = 0;

  constructor(options: CycleRunOptions) {
    this.#options = options;
    this.#lone = new LoneSamples(options.rateHz, options.capacity);
    this.#lowPass = new LowPass(designLowPass(options.settings.filter, options.rateHz));
    this.#sign = options.direction === 'cw' ? 1 : -1;
    const { numbers } = options;
    this.#clicks = options.settings.mode === 'first-peak'
      ? new ClickDetector({
          rateHz: options.rateHz,
          depth: numbers.clickDepth,
          fallMs: numbers.clickFallMs,
          confirmMs: numbers.clickConfirmMs,
          floor: numbers.clickFloor,
        })
      : null;
    const { mode, pulse } = options.settings;
    this.#pulses = mode === 'pulse' ? new PulseCounter({ standsOut: pulse.standsOut, last: pulse.last, least: numbers.armTorque }) : null;
  }

  /** Highest torque so far after the low-pass, signed, N.m. */
  get maximum(): number {
    const { highest } = this.#peak;
    return this.#sign * (highest === -Infinity ? this.#lone.highest : highest);
  }

  /** Highest sample so far as it came, signed, N.m. */
  get highestSample(): number {
    return this.#sign * this.#lone.highest;
  }

  /** Pulses so far; 0 in other modes. */
  get pulseCount(): number {
    return this.#pulses?.count ?? 0;
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
    if (this.#taken === 0 && to > from) this.#lowPass.prime(this.#sign * torque[from]!);
    if (status) for (let i = from + Math.max(0, this.#options.cycleAt - this.#taken); i < to; i++) this.#status |= status[i]!;
    for (let at = from; at < to; at += CHUNK) isClick = this.#pushChunk(torque, at, Math.min(CHUNK, to - at)) || isClick;
    return isClick;
  }

  #pushChunk(torque: Float64Array, from: number, taken: number): boolean {
    const count = this.#lone.push(torque, from, taken, this.#sign, scratch);
    this.#taken += taken;
    const peak = this.#peak;
    const before = Math.max(0, Math.min(count, this.#options.cycleAt - this.#samples));
    if (before > 0) this.#lowPass.runForPeak(scratch, 0, before, noPeak());
    peak.highestAt = -1;
    this.#lowPass.runForPeak(scratch, before, count - before, peak);
    if (peak.highestAt >= 0) this.#beforeMax = this.#valueBefore(peak.highestAt);
    this.#samples += count;
    this.#keepRecent(count);
    this.#pulses?.push(scratch, count);
    return this.#clicks ? this.#clicks.push(scratch, count) : false;
  }

  /** The value SLOPE_SAMPLES before index `at` of the present chunk; 0 when that was before the cycle. */
  #valueBefore(at: number): number {
    const index = at - SLOPE_SAMPLES;
    if (this.#samples + index < this.#options.cycleAt) return 0;
    return index >= 0 ? scratch[index]! : this.#recent[SLOPE_SAMPLES + index]!;
  }

  /** The last values of a chunk of `count`, oldest first. */
  #keepRecent(count: number): void {
    const taken = Math.min(count, SLOPE_SAMPLES);
    this.#recent.copyWithin(0, taken);
    for (let i = 1; i <= taken; i++) this.#recent[SLOPE_SAMPLES - i] = scratch[count - i]!;
  }

  /**
   * @param endAt index in the trace after the last sample of the cycle
   * @param isOffset torque stood there before or after, without a pull
   * @param isPulsed nothing but short applications: what falls between them is no click
   */
  finish(endAt: number, isOffset: boolean, isPulsed: boolean): Capture {
    const { direction, settings, numbers, cycleAt, rateHz, capacity, gapBefore } = this.#options;
    const { highest, highestInput } = this.#peak;
    const flags: CaptureFlag[] = [];
    const durationMs = ((endAt - cycleAt) * 1000) / rateHz;
    if (this.#lone.highest > capacity) flags.push('over-capacity');
    if (this.#status & STATUS.overload) flags.push('overload');
    if (this.#status & STATUS.unstable) flags.push('unstable');
    const click = isPulsed ? null : this.#clicks?.finish() ?? null;
    if (this.#clicks && !isPulsed) {
      if (click && click.fallSamples < LEAST_FALL_SAMPLES) flags.push('rate-too-low');
      const isHidden = HIDING_SIGMAS * this.#clicks.tickNoise > numbers.clickDepth * highest;
      if (isHidden || (click ? click.isDoubtful : this.#clicks.isHiding)) flags.push('noisy');
    }
    const pulses = this.#pulses?.pulses ?? null;
    if (pulses ? pulses.isCoarse : !click && highest - this.#beforeMax > SLOPE_SAMPLES * STEEP * highest) flags.push('rate-too-low');
    if (this.#lone.standsOut(highest)) flags.push('spike');
    if (this.#lowPass.isActive && Math.abs(highestInput - highest) > FILTER_SHIFT * highest) flags.push('filtered-step');
    if (gapBefore) flags.push('gap');
    if (isOffset) flags.push('offset-at-rest');
    const sign = this.#sign;
    if (pulses) {
      const { count, meanOf } = pulses;
      const pulse: PulseReading = {
        count, highest: sign * pulses.highest, last: sign * pulses.last, meanOfLast: sign * pulses.meanOfLast, meanOf,
        durationMs: ((pulses.lastAt - pulses.firstAt) * 1000) / rateHz,
      };
      const value = settings.pulse.value === 'highest' ? pulse.highest : pulse.meanOfLast;
      return { value, maximum: sign * highest, direction, durationMs, flags, pulse };
    }
    const base = { maximum: sign * highest, direction, durationMs, flags };
    return this.#clicks
      ? { ...base, value: sign * (click ? click.torque : highest), click: click !== null }
      : { ...base, value: sign * highest };
  }
}

function noPeak(): Peak {
  return { highest: -Infinity, highestAt: -1, highestInput: -Infinity };
}
