/**
 * Gives samples their time: one clock per channel and epoch. Counts and arrivals go in, blocks with start and spacing
 * come out. No timers and no clocks inside: the same counts and arrivals give the same blocks at any replay speed.
 *
 * Samples that come late wait until it is known whether some are missing before them (`hole-watch.ts`); a hole then
 * stands where it is, before anybody judges across it.
 *
 * Blocks without a gap tile: each starts where the one before ended, and only the spacing leans, by little, towards the
 * line under the arrivals (`arrival-fit.ts`). So times never go back and are nearly uniform.
 */
import type { DeviceBlock, GapReason } from '../../shared/sample-block.ts';
import { ArrivalFit } from './arrival-fit.ts';
import { HoleWatch, type Judged, type LateArrival, type LateLimits } from './hole-watch.ts';
import { nominalRate } from './nominal-rate.ts';
import { RateMeter } from './rate-meter.ts';

/** A correction takes this long, ms, or this many samples when that is longer. */
const LEAN_MS = 1_000;
const LEAN_SAMPLES = 8;
/** The spacing leans at most by this share; more while the error is gross or the line is young. */
const MAX_LEAN = 0.005;
const MAX_LEAN_GROSS = 0.05;
const GROSS_MS = 50;
/** Times further off the line than this, ms and samples, are told as estimated. */
const EXACT_MS = 2;
const EXACT_SAMPLES = 1.5;
/** A sample's time is later than its arrival by this at most, ms or one sample: the line may still have to learn. */
const AHEAD_MS = 2;
/** Where samples come in a flood, spacing is at least this share of the period, so that times go on. */
const LEAST_SPACING = 1e-3;
/** Samples held while the rate is being measured; the oldest go first, counted. */
const MAX_HELD = 262_144;
/** Arrivals that stay late by more than this, ms (and this many samples), mean that samples vanished unannounced. */
const LOST_MS = 100;
const LOST_SAMPLES = 8;
/** A pause of fewer samples is a hole, not a silence. */
const SILENT_SAMPLES = 4;

export interface SampleClockOptions {
  readonly channel: string;
  readonly epoch: number;
  /** Samples per second that the settings declare; null: measured in the first second or so, then fixed. */
  readonly declaredRateHz: number | null;
  /** A pause longer than this (and than four samples) is a silence: time begins anew after it. */
  readonly silenceMs: number;
}

/** Consecutive samples that arrived together. */
export interface ArrivedSamples {
  readonly values: Float64Array;
  readonly status: Uint8Array | null;
  readonly unit: string | null;
}

export interface Held extends ArrivedSamples {
  readonly firstIndex: number;
  readonly gap: GapReason | null;
  /** Of its last sample. */
  readonly atMs: number;
}

export type SampleClockState = ReturnType<SampleClock['snapshot']>;

export class SampleClock {
  readonly #options: SampleClockOptions;
  readonly #meter = new RateMeter();
  readonly #watch = new HoleWatch<Held>();
  /** Null while the rate is being measured. */
  #fit: ArrivalFit | null;
  #rateHz: number | null;
  #index = 0;
  #gap: GapReason | null = 'connected';
  /** End of the last block and so the start of the next, ms; null before the first. */
  #nextMs: number | null = null;
  #held: Held[] = [];
  #heldCount = 0;
  #dropped = 0;
  #steps = 0;
  #missing = 0;

  constructor(options: SampleClockOptions) {
    this.#options = options;
    this.#rateHz = options.declaredRateHz;
    this.#fit = this.#rateHz === null ? null : new ArrivalFit(1_000 / this.#rateHz);
  }

  /** Nominal rate of the epoch, S/s; null while it is being measured. */
  get rateHz(): number | null {
    return this.#rateHz;
  }

  /** What arrivals say the rate is, S/s; null until they say enough. */
  get measuredHz(): number | null {
    return this.#fit?.isEstablished ? 1_000 / this.#fit.periodMs : null;
  }

  /** Index of the next sample. */
  get index(): number {
    return this.#index;
  }

  /**
   * `dropped`: samples that did not fit while the rate was measured; `steps`: times that samples vanished unannounced;
   * `missing`: how many, as the arrivals tell.
   */
  counters(): { readonly dropped: number; readonly steps: number; readonly missing: number } {
    return { dropped: this.#dropped, steps: this.#steps, missing: this.#missing };
  }

  /**
   * Samples that arrived together; the last of them completed at `atMs`.
   * @returns the blocks of which it is now known that nothing is missing inside; none while the rate is being measured,
   * then all that were held
   */
  push(arrived: ArrivedSamples, atMs: number): DeviceBlock[] {
    const count = arrived.values.length;
    if (count === 0) return [];
    const { values, status, unit } = arrived;
    const entry: Held = { values, status, unit, firstIndex: this.#index, gap: this.#gap, atMs };
    this.#index += count;
    this.#gap = null;
    const fit = this.#fit;
    if (fit !== null) {
      if (!this.#isInTime(fit, entry)) return this.#admit([entry]).map((held) => this.#stamp(held));
      this.#noteStep(fit.add(this.#index - 1, atMs));
      return [this.#stamp(entry)];
    }

    this.#hold(entry);
    const periodMs = this.#meter.add(this.#index - 1, atMs);
    if (periodMs === null) return [];
    this.#rateHz = nominalRate(1_000 / periodMs);
    this.#fit = new ArrivalFit(periodMs, true);
    const held = this.#held;
    this.#held = [];
    this.#heldCount = 0;
    return joinHeld(this.#admit(held)).map((joined) => this.#stamp(joined));
  }

  /** `missing` samples are not there: they take their indices and their time, and the next block carries the gap. */
  skip(missing: number, reason: GapReason): void {
    this.#index += missing;
    this.#markGap(reason);
  }

  /** No more samples come, or not for long. @returns what waited; it is not known whether anything is missing inside, so it is cut */
  end(): DeviceBlock[] {
    if (this.#fit === null) return [];
    return this.#settle(this.#fit, this.#watch.giveUp(), []).map((held) => this.#stamp(held));
  }

  /** All that changes; to be written down at once, for its arrays go on changing. */
  snapshot() {
    return {
      fit: this.#fit && this.#fit.snapshot(), meter: this.#meter.snapshot(), watch: this.#watch.snapshot(), rateHz: this.#rateHz, index: this.#index, gap: this.#gap, nextMs: this.#nextMs,
      held: this.#held, heldCount: this.#heldCount, dropped: this.#dropped, steps: this.#steps, missing: this.#missing,
    };
  }

  restore(state: SampleClockState): void {
    this.#fit = state.fit && new ArrivalFit(state.fit.periodMs);
    this.#fit?.restore(state.fit!);
    this.#meter.restore(state.meter);
    this.#watch.restore(state.watch);
    this.#rateHz = state.rateHz;
    this.#index = state.index;
    this.#gap = state.gap;
    this.#nextMs = state.nextMs;
    this.#held = state.held;
    this.#heldCount = state.heldCount;
    this.#dropped = state.dropped;
    this.#steps = state.steps;
    this.#missing = state.missing;
  }

  /** The first mark stays: `connected` is not hidden by a bad sample behind it. */
  #markGap(reason: GapReason): void {
    this.#gap ??= reason;
  }

  #noteStep(steppedMs: number): void {
    if (!(steppedMs > 0)) return;
    this.#steps += 1;
    if (steppedMs > Math.max(LOST_MS, LOST_SAMPLES * this.#fit!.periodMs)) this.#markGap('lost-samples');
  }

  /** The usual case, that nothing waits and this is not late either, without the lists of all others. */
  #isInTime(fit: ArrivalFit, { firstIndex, values, atMs }: Held): boolean {
    return this.#watch.passes(fit.lateness(firstIndex + values.length - 1, atMs), limitsOf(fit, atMs));
  }

  /** @returns those, and some that waited, of which it is known now that nothing is missing, or where */
  #admit(entries: readonly Held[]): Held[] {
    const fit = this.#fit!;
    const out: Held[] = [];
    const queue = [...entries];
    for (let entry = queue.shift(); entry !== undefined; entry = queue.shift()) {
      const { atMs, firstIndex, values: { length: count } } = entry;
      const lateMs = fit.lateness(firstIndex + count - 1, atMs);
      const judged = this.#watch.take({ item: entry, count, atMs, lateMs }, limitsOf(fit, atMs));
      out.push(...this.#settle(fit, judged, queue));
    }
    return out;
  }

  /** @param queue of those that are still to be looked at; gets what came behind a hole */
  #settle(fit: ArrivalFit, { whole, hole }: Judged<Held>, queue: Held[]): Held[] {
    for (const arrival of whole) this.#learn(fit, arrival);
    const admitted = whole.map(({ item }) => item);
    if (hole === null) return admitted;
    const { lastsMs, isVague, burst, behind } = hole;
    const isSilence = lastsMs !== null && lastsMs > Math.max(this.#options.silenceMs, SILENT_SAMPLES * fit.periodMs);
    const reason: GapReason = isSilence ? 'silence' : 'lost-samples';
    // How long a silence was shows in the arrivals alone; a hole takes the indices of its samples.
    const missing = isSilence || lastsMs === null ? 0 : Math.max(1, Math.round(lastsMs / fit.periodMs));
    if (isSilence) fit.restart();
    if (lastsMs !== null) this.#steps += 1;
    this.#missing += missing;
    this.#index += missing;
    const moved = (held: Held): Held => (missing === 0 ? held : { ...held, firstIndex: held.firstIndex + missing });
    const later = [...behind.map(({ item }, i) => (i < burst ? item : moved(item))), ...queue.splice(0).map(moved)];
    // Of samples that came together some may be from before the hole (a frame that counts when the next begins, a host
    // that was held up): then it lies among them, and nothing that began there may go on.
    const isAmong = (i: number): boolean => later[i] !== undefined && later[i].values.length > 1;
    const last = behind.length - 1;
    const isCut = (i: number): boolean => i <= burst || (i === burst + 1 && isAmong(burst)) || (isVague && (i === last || (i === last + 1 && isAmong(last))));
    const cut = later.map((held, i) => (isCut(i) ? { ...held, gap: held.gap ?? reason } : held));
    if (isCut(later.length)) this.#markGap(reason);
    if (isVague) {
      // Where it is cannot be told any better by looking again.
      for (const [i, arrival] of behind.entries()) this.#learn(fit, { ...arrival, item: cut[i]! });
      queue.push(...cut.slice(behind.length));
      return [...admitted, ...cut.slice(0, behind.length)];
    }
    queue.push(...cut.slice(burst));
    return [...admitted, ...cut.slice(0, burst)];
  }

  #learn(fit: ArrivalFit, { item, count, atMs }: LateArrival<Held>): void {
    this.#noteStep(fit.add(item.firstIndex + count - 1, atMs));
  }

  #stamp(entry: Held): DeviceBlock {
    const fit = this.#fit!;
    const { periodMs } = fit;
    const count = entry.values.length;
    const wantedMs = fit.timeOf(entry.firstIndex);
    const startMs = this.#nextMs === null ? wantedMs : entry.gap === null ? this.#nextMs : Math.max(this.#nextMs, wantedMs);
    const errorMs = wantedMs - startMs;
    const isGross = !fit.isEstablished || Math.abs(errorMs) > GROSS_MS;
    const most = isGross ? MAX_LEAN_GROSS : MAX_LEAN;
    const lean = errorMs / Math.max(LEAN_MS, LEAN_SAMPLES * periodMs, count * periodMs);
    const leaning = periodMs * (1 + Math.min(most, Math.max(-most, lean)));
    const latestMs = entry.atMs + Math.max(AHEAD_MS, periodMs);
    const spacingMs = Math.max(LEAST_SPACING * periodMs, Math.min(leaning, (latestMs - startMs) / count));
    this.#nextMs = startMs + count * spacingMs;
    return {
      channel: this.#options.channel,
      epoch: this.#options.epoch,
      firstIndex: entry.firstIndex,
      gap: entry.gap,
      startMs,
      spacingMs,
      rateHz: this.#rateHz!,
      timeEstimated: !fit.isEstablished || Math.abs(errorMs) > Math.max(EXACT_MS, EXACT_SAMPLES * periodMs),
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

function limitsOf(fit: ArrivalFit, atMs: number): LateLimits {
  return { periodMs: fit.periodMs, isEstablished: fit.isEstablished, ageMs: fit.ageMs(atMs), usualMs: fit.usualLatenessMs };
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
    return { ...group[0]!, values, status, atMs: group.at(-1)!.atMs };
  });
}
