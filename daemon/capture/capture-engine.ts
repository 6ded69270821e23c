/**
 * Finds the cycles in a channel's torque and hands each to a `CycleRun`. A pure step function over blocks: the same
 * samples give the same events, however they are cut. Arming and release look at the torque before the low-pass.
 *
 * ```
 *            reaches armTorque                 below releaseTorque for releaseMs
 *   armed ───────────────────────▶ cycle ──────────────────────────────────────▶ held ──holdMs or arm()──▶ blind
 *     ▲                              │ gap, too long, new settings or zero: interrupted                       │
 *     │                              ▼                                                                        │
 *     └────────── released ─────── blind  (torque may be on, and nothing of it may be judged) ◀───────────────┘
 * ```
 */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction, InterruptReason } from '../../shared/reading.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import { applyConditioning, torqueOf } from '../conditioning/calibration.ts';
import { Blind } from './blind.ts';
import { CycleRun } from './cycle-run.ts';
import { GAP_REASONS, type Cycle } from './cycle.ts';
import { detectorNumbers, stableBand } from './defaults.ts';
import type { CaptureEvent, ChannelState } from './events.ts';
import { isTimeEstimated, makeTrace, type ChannelFacts } from './evidence.ts';
import { IdleNoise } from './idle-noise.ts';
import { blockOf, lastBlockOf, type IdleState } from './idle-state.ts';
import { NO_COUNTS, sampleCounts, type SampleCounts } from './sample-counts.ts';
import { SampleHistory } from './sample-history.ts';
import { StillWatch } from './still-watch.ts';
import { takeTrack } from './track.ts';

export interface CaptureEngineOptions {
  readonly settings: CaptureSettings;
  readonly facts: ChannelFacts;
  /** Wall time of a monotonic time, ms. */
  readonly toWallMs: (monoMs: number) => number;
  /** Those of a stored trace, in place of what settings, capacity and noise make. */
  readonly numbers?: DetectorNumbers;
}

export class CaptureEngine {
  #settings: CaptureSettings;
  readonly #facts: ChannelFacts;
  readonly #toWallMs: (monoMs: number) => number;
  readonly #history = new SampleHistory();
  readonly #givenNumbers: DetectorNumbers | null;
  #numbers: DetectorNumbers;
  /** Noise that they were made for, N.m. */
  #sigma = 0;
  #noise = new IdleNoise(NO_COUNTS.noise);
  #still = new StillWatch(NO_COUNTS.still);
  #counts: SampleCounts = NO_COUNTS;

  #block: SampleBlock | null = null;
  #nextIndex = -1;
  /** Samples since the last gap; Infinity before any. */
  #sinceGap = Infinity;
  #cycle: Cycle | null = null;
  #blind: Blind | null = null;
  /** Samples left of a hold; null: not held; Infinity: until armed by hand. */
  #holdLeft: number | null = null;
  /** Held by command, not by a reading. */
  #isHeldByCommand = false;

  constructor(options: CaptureEngineOptions) {
    this.#settings = options.settings;
    this.#facts = options.facts;
    this.#toWallMs = options.toWallMs;
    this.#givenNumbers = options.numbers ?? null;
    this.#numbers = this.#numbersFor(0);
  }

  get settings(): CaptureSettings {
    return this.#settings;
  }

  get state(): ChannelState {
    if (this.#holdLeft !== null) return 'held';
    return this.#cycle ? 'cycle' : 'armed';
  }

  /** Ends a hold: ready for the next cycle, after the release when torque is on. */
  arm(): void {
    if (this.#holdLeft === null) return;
    this.#holdLeft = null;
    this.#isHeldByCommand = false;
    this.#goBlind(false);
  }

  /** Captures nothing until armed. A running cycle is interrupted. */
  hold(): CaptureEvent[] {
    const events = this.#interrupt('stopped');
    this.#blind = null;
    this.#holdLeft = Infinity;
    this.#isHeldByCommand = true;
    return events;
  }

  /**
   * New settings from the next sample on. A running cycle is interrupted, torque that is on waits for its release, and
   * a reading is held for the new time.
   */
  reconfigure(settings: CaptureSettings): CaptureEvent[] {
    const events = this.#interrupt('settings-changed');
    this.#settings = settings;
    if (!this.#block) return events;
    this.#resolve(this.#block.rateHz);
    if (this.#holdLeft === null) this.#goBlind(false);
    else if (!this.#isHeldByCommand) this.#holdFor(this.#counts.hold);
    return events;
  }

  /** Track: the reading now, from the samples up to now; null while there are none. */
  latch(): CaptureEvent | null {
    // Who takes the reading by hand does not want it a second time.
    if (this.#cycle) this.#cycle.isTaken = true;
    return this.#takeTrack('command', this.#history.length);
  }

  /** The samples end here. */
  end(reason: InterruptReason): CaptureEvent[] {
    const events = this.#interrupt(reason);
    this.#endBlind(events);
    this.#nextIndex = -1;
    return events;
  }

  /** Null while torque is on that may be judged or must not be: then there is no state that another engine could begin with. */
  idleState(): IdleState | null {
    if (this.#cycle || this.#blind) return null;
    return {
      sigma: this.#sigma, noise: this.#noise.snapshot(), history: this.#history.snapshot(), block: this.#block && lastBlockOf(this.#block),
      nextIndex: this.#nextIndex, sinceGap: this.#sinceGap, holdLeft: this.#holdLeft, isHeldByCommand: this.#isHeldByCommand,
    };
  }

  /** Goes on as the engine did whose state this is, with the present settings. */
  restore(state: IdleState): void {
    this.#cycle = null;
    this.#blind = null;
    if (state.block) this.#resolve(state.block.rateHz);
    this.#sigma = state.sigma;
    this.#numbers = this.#numbersFor(this.#sigma);
    this.#noise.restore(state.noise);
    this.#history.restore(state.history);
    this.#block = state.block && blockOf(state.block);
    this.#nextIndex = state.nextIndex;
    this.#sinceGap = state.sinceGap;
    this.#holdLeft = state.holdLeft;
    this.#isHeldByCommand = state.isHeldByCommand;
  }

  step(block: SampleBlock): CaptureEvent[] {
    const count = block.torque.length;
    if (count === 0) return [];
    const events: CaptureEvent[] = [];
    let said = this.state;
    const sayState = (at: number): void => {
      if (this.state === said) return;
      said = this.state;
      events.push({ kind: 'state', state: said, atMs: block.startMs + at * block.spacingMs });
    };
    this.#join(block, events);
    this.#noteZero(block, events);
    sayState(0);
    this.#block = block;
    this.#history.append(block);
    let i = 0;
    while (i < count) {
      if (this.#holdLeft !== null) i = this.#passHold(count, i);
      else if (this.#blind) i = this.#passBlind(block, this.#blind, i, events);
      else if (this.#cycle) i = this.#passCycle(block, this.#cycle, i, events);
      else i = this.#passArmed(block, i, events);
      sayState(i);
    }
    this.#nextIndex = block.firstIndex + count;
    this.#sinceGap += count;
    if (!this.#cycle?.run) this.#history.keepLast(this.#counts.history);
    return events;
  }

  /** Notices a gap: what ran is interrupted, and what follows under torque is blind. */
  #join(block: SampleBlock, events: CaptureEvent[]): void {
    const last = this.#block;
    const isNew = !last || block.epoch !== last.epoch || block.rateHz !== last.rateHz;
    if (!isNew && block.gap === null && block.firstIndex === this.#nextIndex) return;
    events.push(...this.#interrupt(block.gap ? GAP_REASONS[block.gap] : 'gap'));
    this.#history.clear();
    this.#sinceGap = last ? 0 : Infinity;
    if (isNew) this.#resolve(block.rateHz);
    this.#noise.restart();
    const first = block.torque[0]!;
    const isLoaded = Math.abs(first) >= (this.#blind ? this.#numbers.releaseTorque : this.#numbers.armTorque);
    if (this.#holdLeft !== null) return;
    if (isLoaded) this.#goBlind(false);
    else this.#endBlind(events);
  }

  /** A zero that moves by more than what ends a cycle would end this one, and as if its torque had been released. */
  #noteZero(block: SampleBlock, events: CaptureEvent[]): void {
    const cycle = this.#cycle;
    if (cycle === null || Math.abs(block.conditioning.zero - cycle.conditioning.zero) <= this.#numbers.releaseTorque) return;
    events.push(...this.#interrupt('settings-changed'));
  }

  /** @param noise sigma of the idle channel, N.m */
  #numbersFor(noise: number): DetectorNumbers {
    this.#sigma = noise;
    return this.#givenNumbers ?? detectorNumbers(this.#settings, this.#facts.capacity, noise);
  }

  #resolve(rateHz: number): void {
    this.#numbers = this.#numbersFor(0);
    this.#counts = sampleCounts(this.#settings, this.#numbers, rateHz);
    this.#noise = new IdleNoise(this.#counts.noise);
    this.#still = new StillWatch(this.#counts.still);
  }

  #passHold(count: number, from: number): number {
    const taken = Math.min(this.#holdLeft!, count - from);
    this.#holdFor(this.#holdLeft! - taken);
    return from + taken;
  }

  #holdFor(samples: number): void {
    this.#holdLeft = samples;
    if (samples === 0) this.arm();
  }

  /** Until the torque has been released; a hold that ends under torque waits for it too. */
  #passBlind(block: SampleBlock, blind: Blind, from: number, events: CaptureEvent[]): number {
    const end = blind.pass(block, from, this.#numbers.releaseTorque, this.#counts.release);
    if (end < 0) return block.torque.length;
    this.#endBlind(events);
    return end;
  }

  #passArmed(block: SampleBlock, from: number, events: CaptureEvent[]): number {
    const { torque } = block;
    const arm = this.#numbers.armTorque;
    const count = torque.length;
    let i = from;
    while (i < count && torque[i]! < arm && torque[i]! > -arm) i++;
    const noise = this.#noise.feed(torque, from, i);
    if (noise !== null) this.#numbers = this.#numbersFor(noise);
    if (i < count) this.#begin(block, i, events);
    return i;
  }

  #begin(block: SampleBlock, at: number, events: CaptureEvent[]): void {
    this.#noise.restart();
    const first = block.torque[at]!;
    const direction: Direction = first < 0 ? 'ccw' : 'cw';
    const startMs = block.startMs + at * block.spacingMs;
    if (this.#settings.direction !== 'both' && this.#settings.direction !== direction) {
      events.push({ kind: 'knock', atMs: startMs });
      this.#goBlind(true);
      return;
    }
    const isTrack = this.#settings.mode === 'track';
    let cycleAt = 0;
    let preRoll: Float64Array | null = null;
    if (!isTrack) {
      preRoll = this.#cutPreRoll(block, at);
      cycleAt = preRoll.length;
    }
    const settings = this.#settings;
    const numbers = this.#numbers;
    const gapBefore = this.#sinceGap + at < this.#counts.history;
    this.#still.reset();
    this.#cycle = {
      direction, startMs, firstIndex: block.firstIndex + at, conditioning: block.conditioning, settings, numbers, cycleAt,
      run: isTrack ? null : new CycleRun({ settings, numbers, rateHz: block.rateHz, capacity: this.#facts.capacity, direction, cycleAt, gapBefore }),
      gapBefore,
      length: 0, lastAbove: 0, below: 0, isTimeEstimated: false, isTaken: false, maximum: first,
    };
    if (preRoll) this.#cycle.run?.push(preRoll, 0, cycleAt, null);
  }

  /**
   * Leaves the pre-roll at the start of the history, free of torque that belongs to a cycle before.
   * @returns its torque, conditioned anew: its zero may have been another one, and a trace has one conditioning
   */
  #cutPreRoll(block: SampleBlock, at: number): Float64Array {
    const here = this.#history.length - block.torque.length + at;
    const from = Math.max(0, here - this.#counts.history);
    const torque = torqueOf(this.#history.device(from, here), block.conditioning);
    const rest = torque.findLastIndex((value) => Math.abs(value) >= this.#numbers.armTorque) + 1;
    this.#history.dropBefore(from + rest);
    return torque.subarray(rest);
  }

  #passCycle(block: SampleBlock, cycle: Cycle, from: number, events: CaptureEvent[]): number {
    const { torque } = block;
    const count = torque.length;
    const sign = cycle.direction === 'cw' ? 1 : -1;
    const release = this.#numbers.releaseTorque;
    const otherWay = -this.#numbers.armTorque;
    const releaseCount = this.#counts.release;
    const room = cycle.run ? this.#counts.most - cycle.length : Infinity;
    const wasLongEnough = cycle.lastAbove >= this.#counts.least;
    let { below, lastAbove } = cycle;
    let isOver = false;
    let i = from;
    const end = Math.min(count, from + room);
    while (i < end) {
      // Nearly all samples of a cycle are above release: they are only counted.
      const above = i;
      while (i < end && sign * torque[i]! >= release) i++;
      if (i > above) {
        below = 0;
        lastAbove = cycle.length + i - from;
      }
      if (i === end) break;
      // The other direction is not part of this cycle: the sample opens the next one.
      if (sign * torque[i]! <= otherWay) {
        isOver = true;
        break;
      }
      i++;
      if (++below >= releaseCount) {
        isOver = true;
        break;
      }
    }
    cycle.length += i - from;
    cycle.below = below;
    cycle.lastAbove = lastAbove;
    cycle.isTimeEstimated ||= isTimeEstimated(block);
    if (!wasLongEnough && lastAbove >= this.#counts.least) {
      events.push({ kind: 'cycle-started', epoch: block.epoch, index: cycle.firstIndex, atMs: cycle.startMs, direction: cycle.direction });
    }
    if (cycle.run) this.#feed(block, cycle, cycle.run, from, i, events);
    else this.#watchStill(block, cycle, from, i, events);
    if (isOver) this.#finish(block, cycle, i, events);
    else if (i < count) {
      events.push(...this.#interrupt('too-long'));
      this.#goBlind(true);
    }
    return i;
  }

  #feed(block: SampleBlock, cycle: Cycle, run: CycleRun, from: number, to: number, events: CaptureEvent[]): void {
    let { torque } = block;
    if (block.conditioning !== cycle.conditioning) {
      // The zero moved during the cycle; the cycle keeps the one it began with.
      torque = new Float64Array(torque.length);
      applyConditioning(block.device, torque, cycle.conditioning);
    }
    if (!run.push(torque, from, to, block.status)) return;
    const at = run.click!.at - cycle.cycleAt;
    events.push({ kind: 'click', index: cycle.firstIndex + at, atMs: cycle.startMs + at * block.spacingMs, torque: run.click!.torque });
  }

  #watchStill(block: SampleBlock, cycle: Cycle, from: number, to: number, events: CaptureEvent[]): void {
    const { torque } = block;
    for (let i = from; i < to; i++) {
      const value = torque[i]!;
      if (Math.abs(value) > Math.abs(cycle.maximum)) cycle.maximum = value;
      if (cycle.isTaken || this.#settings.track.stableMs === null) continue;
      if (!this.#still.take(value, stableBand(this.#settings, this.#facts.capacity, Math.abs(value)))) continue;
      cycle.isTaken = true;
      const event = this.#takeTrack('still', this.#history.length - torque.length + i + 1);
      if (event) events.push(event);
    }
  }

  /** @param to index in the history after the last sample that counts */
  #takeTrack(takenBy: 'command' | 'still', to: number): CaptureEvent | null {
    const block = this.#block;
    if (!block || to === 0) return null;
    const from = Math.max(0, to - this.#counts.history);
    return takeTrack({
      ...this.#timeOf(block, from), spacingMs: block.spacingMs, rateHz: block.rateHz, conditioning: block.conditioning, timeEstimated: isTimeEstimated(block),
      device: this.#history.device(from, to), status: this.#history.status(from, to), settings: this.#settings, detector: this.#numbers, takenBy,
      gapBefore: false,
    }, this.#facts);
  }

  /** Epoch, index and wall time of a sample of the history. */
  #timeOf(block: SampleBlock, at: number): { epoch: number; firstIndex: number; startWallMs: number } {
    const fromBlock = at - (this.#history.length - block.torque.length);
    return { epoch: block.epoch, firstIndex: block.firstIndex + fromBlock, startWallMs: wholeMicroseconds(this.#toWallMs(block.startMs + fromBlock * block.spacingMs)) };
  }

  #finish(block: SampleBlock, cycle: Cycle, at: number, events: CaptureEvent[]): void {
    this.#cycle = null;
    if (cycle.lastAbove < this.#counts.least) {
      events.push({ kind: 'knock', atMs: cycle.startMs });
      return;
    }
    if (!cycle.run) return;
    const to = this.#history.length - block.torque.length + at;
    const capture = cycle.run.finish(cycle.cycleAt + cycle.lastAbove);
    const { conditioning, settings, numbers: detector, cycleAt, gapBefore } = cycle;
    events.push({
      kind: 'captured',
      capture,
      trace: makeTrace(this.#facts, {
        ...this.#timeOf(block, 0), spacingMs: block.spacingMs, rateHz: block.rateHz,
        device: this.#history.device(0, to), status: this.#history.status(0, to), conditioning, settings, detector, cycleAt, gapBefore,
        takenBy: 'cycle', takenAt: cycleAt + cycle.lastAbove - 1, timeEstimated: cycle.isTimeEstimated,
      }),
    });
    if (this.#counts.hold > 0) this.#holdLeft = this.#counts.hold;
  }

  #interrupt(reason: InterruptReason): CaptureEvent[] {
    const cycle = this.#cycle;
    const block = this.#block;
    this.#cycle = null;
    if (!cycle || !block) return [];
    if (this.#holdLeft === null && reason !== 'record-ended') this.#goBlind(true);
    return [{
      kind: 'interrupted', reason, direction: cycle.direction, epoch: block.epoch,
      maximum: cycle.run ? cycle.run.maximum : cycle.maximum,
      startMs: cycle.startMs, durationMs: (cycle.length * 1000) / block.rateHz,
    }];
  }

  #goBlind(isTold: boolean): void {
    this.#blind ??= new Blind(isTold);
  }

  #endBlind(events: CaptureEvent[]): void {
    const event = this.#block && this.#blind?.event(this.#block);
    this.#blind = null;
    if (event) events.push(event);
  }
}

/** Finer digits would tell how the samples were cut into blocks, not when they were taken. */
function wholeMicroseconds(ms: number): number {
  return Math.round(ms * 1000) / 1000;
}
