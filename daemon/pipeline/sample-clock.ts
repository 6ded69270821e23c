/**
 * Gives samples their time: one clock per channel and epoch. Counts and arrivals go in, blocks with start and spacing
 * come out. No timers and no clocks inside: the same counts and arrivals give the same blocks at any replay speed.
 *
 * Blocks without a gap tile: each starts where the one before ended, and only the spacing leans, by little, towards the
 * line under the arrivals (`arrival-fit.ts`). So times never go back and are nearly uniform.
 */
import type { DeviceBlock, GapReason } from '../../shared/sample-block.ts';
import { ArrivalFit } from './arrival-fit.ts';
import { nominalRate } from './nominal-rate.ts';

/** A correction takes this long, ms, or this many samples when that is longer. */
const LEAN_MS = 1_000;
const LEAN_SAMPLES = 8;
/** The spacing leans at most by this share; more while the error is gross or the line is young. */
const MAX_LEAN = 0.005;
const MAX_LEAN_GROSS = 0.05;
const GROSS_MS = 50;
/** Samples held while the rate is being measured; the oldest go first, counted. */
const MAX_HELD = 262_144;
/** Arrivals that stay late by more than this, ms (and this many samples), mean that samples vanished unannounced. */
const LOST_MS = 100;
const LOST_SAMPLES = 8;

export interface SampleClockOptions {
  readonly channel: string;
  readonly epoch: number;
  /** Samples per second that the settings declare; null: measured in the first second or so, then fixed. */
  readonly declaredRateHz: number | null;
}

/** Consecutive samples that arrived together. */
export interface ArrivedSamples {
  readonly values: Float64Array;
  readonly status: Uint8Array | null;
  readonly unit: string | null;
}

interface Held extends ArrivedSamples {
  readonly firstIndex: number;
  readonly gap: GapReason | null;
}

export type SampleClockState = ReturnType<SampleClock['snapshot']>;

export class SampleClock {
  readonly #options: SampleClockOptions;
  readonly #fit: ArrivalFit;
  #rateHz: number | null;
  #index = 0;
  #gap: GapReason | null = 'connected';
  /** End of the last block and so the start of the next, ms; null before the first. */
  #nextMs: number | null = null;
  #held: Held[] = [];
  #heldCount = 0;
  #dropped = 0;
  #steps = 0;

  constructor(options: SampleClockOptions) {
    this.#options = options;
    this.#rateHz = options.declaredRateHz;
    this.#fit = new ArrivalFit(this.#rateHz === null ? null : 1_000 / this.#rateHz);
  }

  /** Nominal rate of the epoch, S/s; null while it is being measured. */
  get rateHz(): number | null {
    return this.#rateHz;
  }

  /** What arrivals say the rate is, S/s; null until they say enough. */
  get measuredHz(): number | null {
    return this.#fit.isEstablished ? 1_000 / this.#fit.periodMs! : null;
  }

  /** Index of the next sample. */
  get index(): number {
    return this.#index;
  }

  /** `dropped`: samples that did not fit while the rate was measured; `steps`: times that samples seem to have vanished. */
  counters(): { readonly dropped: number; readonly steps: number } {
    return { dropped: this.#dropped, steps: this.#steps };
  }

  /**
   * Samples that arrived together; the last of them completed at `atMs`.
   * @returns their block; none while the rate is being measured, then all that were held
   */
  push(arrived: ArrivedSamples, atMs: number): DeviceBlock[] {
    const count = arrived.values.length;
    if (count === 0) return [];
    const firstIndex = this.#index;
    this.#index += count;
    const steppedMs = this.#fit.add(this.#index - 1, atMs);
    if (steppedMs > 0) this.#noteStep(steppedMs);
    const entry: Held = { ...arrived, firstIndex, gap: this.#gap };
    this.#gap = null;
    if (this.#rateHz !== null) return [this.#stamp(entry)];

    this.#hold(entry);
    if (this.#fit.periodMs === null) return [];
    this.#rateHz = nominalRate(1_000 / this.#fit.periodMs);
    const blocks = joinHeld(this.#held).map((held) => this.#stamp(held));
    this.#held = [];
    this.#heldCount = 0;
    return blocks;
  }

  /** `missing` samples are not there: they take their indices and their time, and the next block carries the gap. */
  skip(missing: number, reason: GapReason): void {
    this.#index += missing;
    this.#markGap(reason);
  }

  /** The device was silent and begins again; how long it paused shows in the arrivals. */
  resume(): void {
    this.#fit.restart();
    this.#markGap('silence');
  }

  /** All that changes; to be written down at once, for its arrays go on changing. */
  snapshot() {
    return {
      fit: this.#fit.snapshot(), rateHz: this.#rateHz, index: this.#index, gap: this.#gap, nextMs: this.#nextMs,
      held: this.#held, heldCount: this.#heldCount, dropped: this.#dropped, steps: this.#steps,
    };
  }

  restore(state: SampleClockState): void {
    this.#fit.restore(state.fit);
    this.#rateHz = state.rateHz;
    this.#index = state.index;
    this.#gap = state.gap;
    this.#nextMs = state.nextMs;
    this.#held = state.held;
    this.#heldCount = state.heldCount;
    this.#dropped = state.dropped;
    this.#steps = state.steps;
  }

  /** The first mark stays: `connected` is not hidden by a bad sample behind it. */
  #markGap(reason: GapReason): void {
    this.#gap ??= reason;
  }

  #noteStep(steppedMs: number): void {
    this.#steps += 1;
    if (steppedMs > Math.max(LOST_MS, LOST_SAMPLES * this.#fit.periodMs!)) this.#markGap('lost-samples');
  }

  #stamp(entry: Held): DeviceBlock {
    const periodMs = this.#fit.periodMs!;
    const count = entry.values.length;
    const wantedMs = this.#fit.timeOf(entry.firstIndex);
    const startMs = this.#nextMs === null ? wantedMs : entry.gap === null ? this.#nextMs : Math.max(this.#nextMs, wantedMs);
    const errorMs = wantedMs - startMs;
    const isGross = !this.#fit.isEstablished || Math.abs(errorMs) > GROSS_MS;
    const most = isGross ? MAX_LEAN_GROSS : MAX_LEAN;
    const lean = errorMs / Math.max(LEAN_MS, LEAN_SAMPLES * periodMs, count * periodMs);
    const spacingMs = periodMs * (1 + Math.min(most, Math.max(-most, lean)));
    this.#nextMs = startMs + count * spacingMs;
    return {
      channel: this.#options.channel,
      epoch: this.#options.epoch,
      firstIndex: entry.firstIndex,
      gap: entry.gap,
      startMs,
      spacingMs,
      rateHz: this.#rateHz!,
      timeEstimated: !this.#fit.isEstablished,
      unit: entry.unit,
      device: entry.values,
      status: entry.status,
    };
  }

  #hold(entry: Held): void {
    this.#held.push(entry);
    this.#heldCount += entry.values.length;
    while (this.#heldCount > MAX_HELD && this.#held.length > 1) {
      const oldest = this.#held.shift()!;
      this.#heldCount -= oldest.values.length;
      this.#dropped += oldest.values.length;
      // What is first now begins the epoch for those who listen.
      this.#held[0] = { ...this.#held[0]!, gap: oldest.gap ?? 'lost-samples' };
    }
  }
}

/** Held runs that continue each other become one, so that the first block is not a thousand. */
function joinHeld(held: readonly Held[]): Held[] {
  const groups: Held[][] = [];
  for (const entry of held) {
    const group = groups.at(-1);
    if (group && entry.gap === null && group[0]!.unit === entry.unit) group.push(entry);
    else groups.push([entry]);
  }
  return groups.map((group) => {
    const length = group.reduce((sum, entry) => sum + entry.values.length, 0);
    const values = new Float64Array(length);
    const status = group.some((entry) => entry.status !== null) ? new Uint8Array(length) : null;
    let at = 0;
    for (const entry of group) {
      values.set(entry.values, at);
      if (status && entry.status) status.set(entry.status, at);
      at += entry.values.length;
    }
    return { ...group[0]!, values, status };
  });
}
