/**
 * Finds the cycles in a channel's torque and hands each to a `CycleRun`. A pure step function over blocks: the same
 * samples give the same events, however they are cut. Arming and release look at the torque before the low-pass.
 *
 * ```
 *            reaches armTorque                released, turned, or at rest
 *   armed ───────────────────────▶ cycle ──────────────────────────────────────▶ held ──holdMs or arm()──▶ blind
 *     ▲                              │ gap, too long, new settings or zero: interrupted                       │
 *     │                              ▼                                                                        │
 *     └── released or at rest ──── blind  (torque may be on, and nothing of it may be judged) ◀───────────────┘
 * ```
 *
 * Where torque stands at rest beyond the release threshold, armed and blind say `loaded`. Every cycle ends as a reading, or
 * is told as dismissed or interrupted.
 */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { InterruptReason } from '../../shared/reading.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import { torqueOf } from '../conditioning/calibration.ts';
import { Armed } from './armed.ts';
import { beginCycle } from './begin-cycle.ts';
import { Blind } from './blind.ts';
import { cycleReading } from './cycle-reading.ts';
import { dismissed, GAP_REASONS, noReading, type Cycle, type Stretch } from './cycle.ts';
import { detectorNumbers, stableBand } from './defaults.ts';
import type { CapturedEvent, CaptureEvent, ChannelState } from './events.ts';
import { isTimeEstimated, type ChannelFacts } from './evidence.ts';
import { Hold } from './hold.ts';
import { blockOf, lastBlockOf, type IdleState } from './idle-state.ts';
import { RestWatch } from './rest-watch.ts';
import { NO_COUNTS, sampleCounts, type SampleCounts } from './sample-counts.ts';
import { SampleHistory } from './sample-history.ts';
import { StillWatch } from './still-watch.ts';
import { mustBePulled, takeTrack } from './track.ts';

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
  #armed = new Armed(NO_COUNTS.noise);
  #still = new StillWatch(NO_COUNTS.still);
  #rest = new RestWatch(NO_COUNTS.rest);
  #counts: SampleCounts = NO_COUNTS;

  #block: SampleBlock | null = null;
  #nextIndex = -1;
  /** Samples since the last gap; Infinity before any. */
  #sinceGap = Infinity;
  #cycle: Cycle | null = null;
  /** Where the last cycle that was no knock ended, and its highest torque, N.m. */
  #last = { endIndex: -Infinity, highest: 0 };
  #blind: Blind | null = null;
  readonly #hold = new Hold();

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
    if (this.#hold.isOn) return 'held';
    if (this.#cycle?.options.isWanted) return 'cycle';
    return this.#rest.standing === null ? 'armed' : 'loaded';
  }

  /** Torque at rest while loaded, N.m, else null. */
  get standing(): number | null {
    return this.state === 'loaded' ? this.#rest.standing : null;
  }

  /** Ends a hold: ready for the next cycle, after the release when torque is on. */
  arm(): void {
    if (!this.#hold.isOn) return;
    this.#hold.end();
    this.#goBlind(false);
  }

  /** Captures nothing until armed. A running cycle is interrupted. */
  hold(): CaptureEvent[] {
    const events = this.#interrupt('stopped');
    this.#blind = null;
    this.#rest.reset();
    this.#hold.begin(Infinity, true);
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
    if (!this.#hold.isOn) this.#goBlind(false);
    else if (!this.#hold.isByCommand) this.#hold.begin(this.#counts.hold);
    if (this.#hold.isOver) this.arm();
    return events;
  }

  /**
   * Track: the reading now, from the samples up to now; null while there are none.
   * @param isZeroCheck also of an unloaded channel
   * @throws TorsiondError TORQUE_TOO_LOW
   */
  latch(isZeroCheck = false): CapturedEvent | null {
    const event = this.#takeTrack(isZeroCheck ? 'zero-check' : 'command', this.#history.length);
    if (event && !isZeroCheck) mustBePulled(event.capture.value, this.#numbers.armTorque, this.#settings.unit);
    // Who takes the reading by hand does not want it a second time.
    if (this.#cycle) this.#cycle.isTaken = true;
    return event;
  }

  /** The samples end here. */
  end(reason: InterruptReason): CaptureEvent[] {
    const events = this.#interrupt(reason);
    this.#endBlind(events);
    this.#rest.reset();
    this.#nextIndex = -1;
    return events;
  }

  /** Null while torque is on that may be judged or must not be: then there is no state that another engine could begin with. */
  idleState(): IdleState | null {
    if (this.#cycle || this.#blind) return null;
    return {
      sigma: this.#sigma, armed: this.#armed.snapshot(), rest: this.#rest.snapshot(), history: this.#history.snapshot(), block: this.#block && lastBlockOf(this.#block),
      nextIndex: this.#nextIndex, sinceGap: this.#sinceGap, last: this.#last, hold: this.#hold.snapshot(),
    };
  }

  /** Goes on as the engine did whose state this is, with the present settings. */
  restore(state: IdleState): void {
    this.#cycle = null;
    this.#blind = null;
    if (state.block) this.#resolve(state.block.rateHz);
    this.#sigma = state.sigma;
    this.#numbers = this.#numbersFor(this.#sigma);
    this.#armed.restore(state.armed);
    this.#rest.restore(state.rest);
    this.#history.restore(state.history);
    this.#block = state.block && blockOf(state.block);
    this.#nextIndex = state.nextIndex;
    this.#sinceGap = state.sinceGap;
    this.#last = state.last;
    this.#hold.restore(state.hold);
  }

  step(block: SampleBlock): CaptureEvent[] {
    const count = block.torque.length;
    if (count === 0) return [];
    const events: CaptureEvent[] = [];
    let said = this.state;
    const sayState = (at: number): void => {
      const { state, standing } = this;
      if (state === said && (standing === null || !this.#rest.hasMoved(this.#numbers))) return;
      said = state;
      this.#rest.said = standing;
      events.push({ kind: 'state', state, standing, atMs: block.startMs + at * block.spacingMs });
    };
    this.#join(block, events);
    this.#noteZero(block, events);
    sayState(0);
    this.#block = block;
    this.#history.append(block);
    let i = 0;
    while (i < count) {
      if (this.#hold.isOn) i = this.#passHold(count, i);
      else if (this.#blind) i = this.#passBlind(block, this.#blind, i, events);
      else if (this.#cycle) i = this.#passCycle(block, this.#cycle, i, events);
      else i = this.#passArmed(block, i, events);
      sayState(i);
    }
    this.#nextIndex = block.firstIndex + count;
    this.#sinceGap += count;
    if (!this.#cycle?.options.run) this.#history.keepLast(this.#counts.history + Math.max(this.#counts.lone, this.#counts.least));
    return events;
  }

  /** Notices a gap: what ran is interrupted, and what follows under torque is blind. */
  #join(block: SampleBlock, events: CaptureEvent[]): void {
    const last = this.#block;
    const isNew = !last || block.epoch !== last.epoch || block.rateHz !== last.rateHz;
    if (!isNew && block.gap === null && block.firstIndex === this.#nextIndex) return;
    events.push(...this.#interrupt(block.gap ? GAP_REASONS[block.gap] : 'gap'));
    this.#history.clear();
    this.#last = { endIndex: -Infinity, highest: 0 };
    this.#sinceGap = last ? 0 : Infinity;
    if (isNew) this.#resolve(block.rateHz);
    this.#armed.restart();
    this.#rest.reset();
    const first = block.torque[0]!;
    const isLoaded = Math.abs(first) >= (this.#blind ? this.#numbers.releaseTorque : this.#numbers.armTorque);
    if (this.#hold.isOn) return;
    if (isLoaded) this.#goBlind(false);
    else this.#endBlind(events);
  }

  /** A zero that moves by more than what ends a cycle would end this one, and as if its torque had been released. */
  #noteZero(block: SampleBlock, events: CaptureEvent[]): void {
    const { zero } = block.conditioning;
    if (this.#cycle && Math.abs(zero - this.#cycle.options.conditioning.zero) > this.#numbers.releaseTorque) {
      events.push(...this.#interrupt('settings-changed'));
    } else if (!this.#cycle && this.#block && zero !== this.#block.conditioning.zero) this.#rest.reset();
  }

  /** @param noise sigma of the idle channel, N.m */
  #numbersFor(noise: number): DetectorNumbers {
    this.#sigma = noise;
    return this.#givenNumbers ?? detectorNumbers(this.#settings, this.#facts.capacity, noise);
  }

  #resolve(rateHz: number): void {
    this.#numbers = this.#numbersFor(0);
    this.#counts = sampleCounts(this.#settings, this.#numbers, rateHz);
    this.#armed = new Armed(this.#counts.noise);
    this.#still = new StillWatch(this.#counts.still);
    this.#rest = new RestWatch(this.#counts.rest);
  }

  #passHold(count: number, from: number): number {
    const next = this.#hold.pass(count, from);
    if (this.#hold.isOver) this.arm();
    return next;
  }

  /** Until the torque has been released or stands still below arming; a hold that ends under torque waits for it too. */
  #passBlind(block: SampleBlock, blind: Blind, from: number, events: CaptureEvent[]): number {
    const end = blind.pass(block, from, this.#rest, this.#numbers, this.#counts.release);
    if (blind.ending === null) return end;
    this.#endBlind(events);
    if (blind.ending === 'released') this.#rest.reset();
    else this.#rest.standing = this.#rest.beyond(this.#numbers);
    return end;
  }

  #passArmed(block: SampleBlock, from: number, events: CaptureEvent[]): number {
    const armed = this.#armed;
    const i = armed.pass(block.torque, from, this.#rest, this.#numbers);
    if (armed.ending === 'arms') this.#begin(block, i, i, events);
    if (armed.ending !== 'slice') return i;
    if (armed.newNoise !== null) this.#numbers = this.#numbersFor(armed.newNoise);
    armed.newNoise = null;
    // It crept beyond arming: told by the state.
    if (Math.abs(this.#rest.standing ?? 0) >= this.#numbers.armTorque) this.#goBlind(true);
    return i;
  }

  /**
   * @param at index in the block of the first sample, negative when it is in a block before
   * @param now samples of the block up to here were taken; those from `at` on belong to the new cycle
   */
  #begin(block: SampleBlock, at: number, now: number, events: CaptureEvent[]): void {
    this.#armed.restart();
    const here = this.#history.length - block.torque.length + at;
    const past = torqueOf(this.#history.device(here, here + now - at), block.conditioning);
    const cycle = beginCycle({
      block, at, first: now > at ? past[0]! : block.torque[at]!, history: this.#history, settings: this.#settings, numbers: this.#numbers,
      counts: this.#counts, capacity: this.#facts.capacity, gapBefore: this.#sinceGap + at < this.#counts.history,
      restBefore: this.#rest.standing, last: this.#last,
    });
    this.#cycle = cycle;
    this.#still.reset();
    this.#rest.reset();
    if (now === at) return;
    const origin = this.#history.length - block.torque.length + at;
    cycle.scan(past, 0, past.length, this.#rest);
    this.#tell(block, cycle, { torque: past, status: this.#history.status(origin, origin + past.length), from: 0, to: past.length, origin }, events);
  }

  #passCycle(block: SampleBlock, cycle: Cycle, from: number, events: CaptureEvent[]): number {
    const { device, torque, status } = block;
    const { conditioning, run } = cycle.options;
    const room = run ? this.#counts.most - cycle.length : Infinity;
    const i = cycle.scan(torque, from, Math.min(torque.length, from + room), this.#rest);
    // When the zero moved during the cycle, it keeps the one it began with.
    const kept = run && block.conditioning !== conditioning ? torqueOf(device, conditioning) : torque;
    this.#tell(block, cycle, { torque: kept, status, from, to: i, origin: this.#history.length - torque.length }, events);
    if (cycle.ending !== null) this.#finish(block, cycle, i, events);
    else if (i === from + room) {
      events.push(...this.#interrupt('too-long'));
      this.#goBlind(true);
    }
    return i;
  }

  #tell(block: SampleBlock, cycle: Cycle, stretch: Stretch, events: CaptureEvent[]): void {
    const { run, firstIndex, startMs, direction, cycleAt } = cycle.options;
    cycle.isTimeEstimated ||= isTimeEstimated(block);
    if (cycle.hasBegun && !cycle.isStartTold) {
      cycle.isStartTold = true;
      events.push({ kind: 'cycle-started', epoch: block.epoch, index: firstIndex, atMs: startMs, direction });
    }
    if (!run) return this.#watch(cycle, stretch, events);
    run.push(stretch.torque, stretch.from, stretch.to, stretch.status);
    // What strikes for some milliseconds may look like a click.
    if (!cycle.isClickTold && !cycle.isShort && run.click) {
      cycle.isClickTold = true;
      const at = run.click.at - cycleAt;
      events.push({ kind: 'click', index: firstIndex + at, atMs: startMs + at * block.spacingMs, torque: run.click.torque });
    }
  }

  /** Without a run: the highest, and in track whether it is still. */
  #watch(cycle: Cycle, { torque, from, to, origin }: Stretch, events: CaptureEvent[]): void {
    const isWatched = cycle.options.isWanted && this.#settings.track.stableMs !== null;
    for (let i = from; i < to; i++) {
      const value = torque[i]!;
      if (Math.abs(value) > Math.abs(cycle.maximum)) cycle.maximum = value;
      if (cycle.isTaken || !isWatched) continue;
      if (!this.#still.take(value, stableBand(this.#settings, this.#facts.capacity, Math.abs(value)))) continue;
      cycle.isTaken = true;
      const event = this.#takeTrack('still', origin + i + 1);
      if (event) events.push(event);
    }
  }

  /** @param to index in the history after the last sample that counts */
  #takeTrack(takenBy: 'command' | 'still' | 'zero-check', to: number): CapturedEvent | null {
    const block = this.#block;
    if (!block || to === 0) return null;
    const from = Math.max(0, to - this.#counts.history);
    const { spacingMs, rateHz, conditioning } = block;
    return takeTrack({
      ...this.#history.timeOf(from, block, this.#toWallMs), spacingMs, rateHz, conditioning, timeEstimated: isTimeEstimated(block),
      device: this.#history.device(from, to), status: this.#history.status(from, to), settings: this.#settings, detector: this.#numbers, takenBy,
      gapBefore: false, restBefore: this.#cycle ? this.#cycle.options.restBefore : this.#rest.standing, restAfter: null, isPulsed: false,
    }, this.#facts);
  }

  #finish(block: SampleBlock, cycle: Cycle, at: number, events: CaptureEvent[]): void {
    this.#cycle = null;
    const { run, numbers, firstIndex, isWanted, restBefore } = cycle.options;
    const reason = cycle.dismissal(this.#rest);
    const restAfter = cycle.ending === 'at-rest' ? this.#rest.beyond(numbers) : null;
    const stood = isWanted ? restBefore : this.#rest.standing ?? restBefore;
    if (cycle.ending !== 'at-rest') this.#rest.reset();
    // What turns without coming to rest may still stand where it stood.
    this.#rest.standing = cycle.nextAt === null ? restAfter : stood;
    if (!cycle.isKnock) this.#last = { endIndex: firstIndex + cycle.lastAbove, highest: Math.abs(run ? run.maximum : cycle.maximum) };
    if (reason) events.push(dismissed(block, cycle, reason));
    else if (run) {
      events.push(cycleReading({ cycle, run, block, at, restAfter, history: this.#history, facts: this.#facts, toWallMs: this.#toWallMs }));
      if (this.#counts.hold > 0) this.#hold.begin(this.#counts.hold);
    }
    if (!this.#hold.isOn && cycle.nextAt !== null) this.#beginNext(block, at - (cycle.length - cycle.nextAt), at, events);
  }

  /** The samples `from` up to `now` belong to the next cycle. When none of them arms, a later one may. */
  #beginNext(block: SampleBlock, from: number, now: number, events: CaptureEvent[]): void {
    const here = this.#history.length - block.torque.length;
    const past = torqueOf(this.#history.device(here + from, here + now), block.conditioning);
    const armed = past.findIndex((value) => Math.abs(value) >= this.#numbers.armTorque);
    if (armed >= 0) this.#begin(block, from + armed, now, events);
  }

  #interrupt(reason: InterruptReason): CaptureEvent[] {
    const cycle = this.#cycle;
    const block = this.#block;
    this.#cycle = null;
    if (!cycle || !block) return [];
    const why = cycle.isPastKnock || !cycle.options.isWanted ? cycle.dismissal(this.#rest) : null;
    this.#rest.reset();
    if (!cycle.isPastKnock && !this.#hold.isOn && reason !== 'record-ended') this.#goBlind(true);
    return [why ? dismissed(block, cycle, why) : { kind: 'interrupted', reason, ...noReading(block, cycle, cycle.length) }];
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
