/** One application of torque while it runs: what the capture engine keeps of it, and when it is over. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction, DismissReason, InterruptReason } from '../../shared/reading.ts';
import type { Conditioning, GapReason, SampleBlock } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import type { CycleRun } from './cycle-run.ts';
import type { CaptureEvent, NoReading } from './events.ts';
import type { RestWatch } from './rest-watch.ts';
import type { SampleCounts } from './sample-counts.ts';

/**
 * - `released`: below the release threshold for long enough
 * - `turned`: the torque went to the other direction, and stayed there; its samples belong to the next cycle
 * - `at-rest`: it stands still between release and arming threshold
 * - `began-anew`: what came before was a knock, and now a pull runs since `runStart`
 */
export type Ending = 'released' | 'turned' | 'at-rest' | 'began-anew';

/** Short applications that make a cycle when they follow each other, as those of an impulse tool do, … */
const LEAST_PULSES = 3;
/** … and reach so many times the arming torque: hum and noise may pass it once. */
const PULSE_ARMS = 2;
/** … and this share of a pull that ended just before: less is how that bounces. */
const BOUNCE_SHARE = 0.5;

export interface CycleOptions {
  readonly direction: Direction;
  /** False in a direction that is not to be captured. */
  readonly isWanted: boolean;
  readonly startMs: number;
  readonly firstIndex: number;
  readonly conditioning: Conditioning;
  readonly settings: CaptureSettings;
  readonly numbers: DetectorNumbers;
  readonly counts: SampleCounts;
  /** Length of the pre-roll, samples. */
  readonly cycleAt: number;
  /** Null in track, where the reading is taken by command or when still, and where nothing is captured. */
  readonly run: CycleRun | null;
  readonly gapBefore: boolean;
  /** Torque that stood beyond the release threshold before, N.m, or null. */
  readonly restBefore: number | null;
  /** Highest torque of a cycle that ended less than the gap between pulses before, N.m; else 0. */
  readonly justBefore: number;
}

/** Samples `from` up to `to` of a cycle. */
export interface Stretch {
  readonly torque: Float64Array;
  readonly status: Uint8Array | null;
  readonly from: number;
  readonly to: number;
  /** Index in the history of index 0. */
  readonly origin: number;
}

export class Cycle {
  readonly options: CycleOptions;
  readonly #sign: 1 | -1;
  /** Samples since arming, and up to the last above release. */
  length = 0;
  lastAbove = 0;
  ending: Ending | null = null;
  isTimeEstimated = false;
  isTaken = false;
  /** It is more than a knock by now; and that was told. */
  hasBegun = false;
  isStartTold = false;
  isClickTold = false;
  /** Highest in magnitude, signed; kept only where there is no run. */
  maximum = 0;
  /** Where the last unbroken stretch above release began; a few samples below do not break it. */
  runStart = 0;
  /** Samples in a row in the other direction. */
  other = 0;
  #below = 0;
  #runs = 0;
  #longestRun = 0;
  #aboveBeforeRun = 0;
  /** Of the runs those high enough for a pulse; the last one is. */
  #pulses = 0;
  #isPulse = false;
  /** The last stretch may be a cycle of its own. */
  #mayBeginAnew = false;

  constructor(options: CycleOptions) {
    this.options = options;
    this.#sign = options.direction === 'cw' ? 1 : -1;
  }

  get #longest(): number {
    return Math.max(this.#longestRun, this.lastAbove - this.runStart);
  }

  /** No stretch above release was longer than a knock. */
  get isShort(): boolean {
    return this.#longest < this.options.counts.least;
  }

  /** Knocks that follow each other as those of a pulse tool do. */
  get isPulsed(): boolean {
    return this.#pulses >= LEAST_PULSES && this.#longest < this.options.counts.pulse;
  }

  get isKnock(): boolean {
    return this.isShort && !this.isPulsed;
  }

  /** Nothing but a knock, and long enough ago to be over. */
  get isPastKnock(): boolean {
    return this.isKnock && this.#below >= this.options.counts.release;
  }

  /**
   * Takes samples until the cycle is over, and `ending` says how, or until something stands in a direction not wanted.
   * @returns the index after the last sample taken
   */
  scan(torque: Float64Array, from: number, to: number, rest: RestWatch): number {
    const sign = this.#sign;
    const { numbers, counts, isWanted, settings } = this.options;
    const isPulse = settings.mode === 'pulse';
    const release = numbers.releaseTorque;
    const otherWay = -numbers.armTorque;
    const most = isWanted ? numbers.armTorque : Infinity;
    /** Place in the cycle of index 0. */
    const origin = this.length - from;
    let i = from;
    let isPaused = false;
    while (i < to && this.ending === null && !isPaused) {
      const segment = i;
      const until = Math.min(to, i + rest.left);
      while (i < until) {
        // Nearly all samples of a cycle are above release: they are only counted.
        const above = i;
        while (i < until && sign * torque[i]! >= release) i++;
        if (i > above) {
          i = this.#takeAbove(torque, above, i, origin) - origin;
          if (this.ending !== null) break;
        }
        if (i === until) break;
        const isOther = sign * torque[i]! <= otherWay;
        i++;
        if (isOther) {
          // One sample alone is a fault of the line, not torque; and what strikes rings to both sides.
          if (++this.other < (isPulse || this.#longest < counts.pulse ? Math.max(counts.least, counts.lone) : counts.lone)) continue;
          this.ending = 'turned';
          break;
        }
        this.other = 0;
        if (++this.#below === counts.lone && this.isPulsed) this.hasBegun = true;
        if (this.#below >= (this.#longest < counts.pulse ? counts.pulseGap : counts.release)) {
          this.ending = 'released';
          break;
        }
      }
      if (this.ending !== null || !rest.take(torque, segment, i, numbers, 0, most)) continue;
      if (rest.isAtRest(numbers)) this.ending = 'at-rest';
      else if (!isWanted) isPaused = rest.note(numbers, false);
    }
    this.length = origin + i;
    return i;
  }

  /** @returns the place up to which the samples were taken: all of them, or where it proves to be another cycle */
  #takeAbove(torque: Float64Array, from: number, to: number, origin: number): number {
    const { least, lone, release, pulse } = this.options.counts;
    const start = origin + from;
    const end = origin + to;
    const gap = start - this.lastAbove;
    if (this.#runs === 0 || gap >= lone) {
      const before = this.lastAbove - this.runStart;
      if (before > this.#longestRun) this.#longestRun = before;
      this.#mayBeginAnew = this.#runs > 0 && this.isKnock && (gap >= release || this.#longestRun < lone);
      this.#runs++;
      this.#aboveBeforeRun = this.lastAbove;
      this.runStart = start;
      this.#isPulse = false;
      if (this.isPulsed) this.hasBegun = true;
    }
    this.#below = 0;
    this.other = 0;
    this.lastAbove = end;
    if (!this.#isPulse && this.#longest < pulse) this.#lookForPulse(torque, from, to);
    if (end - this.runStart < least) return end;
    if (!this.#mayBeginAnew) {
      this.hasBegun = true;
      return end;
    }
    this.ending = 'began-anew';
    this.lastAbove = this.#aboveBeforeRun;
    return this.runStart + least;
  }

  #lookForPulse(torque: Float64Array, from: number, to: number): void {
    const { numbers, justBefore } = this.options;
    const needed = Math.max(PULSE_ARMS * numbers.armTorque, BOUNCE_SHARE * justBefore);
    let i = from;
    while (i < to && this.#sign * torque[i]! < needed) i++;
    if (i === to) return;
    this.#isPulse = true;
    this.#pulses++;
  }

  /** Where in this cycle the samples of the next one begin, or null. */
  get nextAt(): number | null {
    if (this.ending === 'turned') return this.length - this.other;
    return this.ending === 'began-anew' ? this.runStart : null;
  }

  /** Why it gives no reading, or null when it gives one. */
  dismissal(rest: RestWatch): DismissReason | null {
    if (this.ending === 'began-anew' || this.isKnock) return 'too-short';
    const { isWanted, run, settings, numbers } = this.options;
    if (!isWanted) return 'other-direction';
    if (this.ending === 'at-rest' && run && Math.abs(run.maximum) < Math.abs(rest.mean) + numbers.releaseTorque) return 'standing';
    if (settings.mode === 'pulse' && run?.pulseCount === 0) return 'no-pulse';
    return settings.mode === 'track' && !this.isTaken ? 'not-taken' : null;
  }
}

export function dismissed({ epoch, rateHz }: SampleBlock, cycle: Cycle, reason: DismissReason): CaptureEvent {
  // A lone sample is told as it came.
  const maximum = cycle.options.run?.highestSample ?? cycle.maximum;
  return { kind: 'dismissed', reason, ...noReading({ epoch, rateHz }, cycle, cycle.lastAbove), maximum };
}

/** @param length of it, samples */
export function noReading({ epoch, rateHz }: Pick<SampleBlock, 'epoch' | 'rateHz'>, { options, maximum }: Cycle, length: number): NoReading {
  const { direction, run, startMs } = options;
  return { direction, epoch, maximum: run ? run.maximum : maximum, startMs, durationMs: (length * 1000) / rateHz };
}

/** What a gap makes of the cycle it falls in. */
export const GAP_REASONS: Record<GapReason, InterruptReason> = {
  'connected': 'gap', 'bad-sample': 'bad-sample', 'overload': 'overload', 'lost-samples': 'gap', 'silence': 'gap', 'settings': 'settings-changed',
};
