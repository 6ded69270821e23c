import type { Clock } from '../../../shared/clock.ts';
import type { SampleBlock } from '../../../shared/sample-block.ts';
import { torqueUnit } from '../../../shared/units.ts';
import type { ChannelLive } from '../../../shared/wire/events.ts';
import type * as z from 'zod';
import { MinMaxTape } from './min-max-tape.ts';

export interface LiveFeedContext {
  readonly clock: Clock;
  readonly toWallMs: (monoMs: number) => number;
  readonly unitOf: (channel: string) => string;
  /** N.m, or null while the channel gives nothing. */
  readonly liveTorque: (channel: string) => number | null;
  /** A turn begins. */
  readonly onTurn: () => void;
  /** @param samples how many samples the message stands for */
  readonly publish: (channel: string, message: Uint8Array, samples: number) => void;
}

/** `channel.live` at one rate, made once for all clients that asked for that rate. */
export class LiveFeed {
  readonly #context: LiveFeedContext;
  readonly #periodMs: number;
  readonly #tapes = new Map<string, { readonly tape: MinMaxTape; nextIndex: number; epoch: number }>();
  #cancelTimer: () => void;
  #dueMs: number;

  /** @param rateHz messages per second and channel, above 0 */
  constructor(rateHz: number, context: LiveFeedContext) {
    this.#context = context;
    this.#periodMs = 1_000 / rateHz;
    this.#dueMs = context.clock.monoMs() + this.#periodMs;
    this.#cancelTimer = context.clock.after(this.#periodMs, () => this.#onTimer());
  }

  add(block: SampleBlock): void {
    let entry = this.#tapes.get(block.channel);
    if (entry === undefined) {
      entry = { tape: new MinMaxTape(this.#periodMs), nextIndex: -1, epoch: -1 };
      this.#tapes.set(block.channel, entry);
    }
    const continues = block.gap === null && block.firstIndex === entry.nextIndex && block.epoch === entry.epoch;
    entry.tape.add(block.torque, block.startMs, block.spacingMs, continues);
    entry.nextIndex = block.firstIndex + block.torque.length;
    entry.epoch = block.epoch;
  }

  stop(): void {
    this.#cancelTimer();
  }

  #onTimer(): void {
    const nowMs = this.#context.clock.monoMs();
    this.#dueMs += this.#periodMs;
    // After a stall the missed turns are not made up for.
    if (this.#dueMs <= nowMs) this.#dueMs = nowMs + this.#periodMs;
    this.#cancelTimer = this.#context.clock.after(this.#dueMs - nowMs, () => this.#onTimer());
    this.#context.onTurn();
    for (const [channel, entry] of this.#tapes) this.#announce(channel, entry.tape);
  }

  #announce(channel: string, tape: MinMaxTape): void {
    const segments = tape.take();
    if (segments.length === 0) return;
    const torque = this.#context.liveTorque(channel);
    if (torque === null) return;
    const unit = this.#context.unitOf(channel);
    const factor = torqueUnit(unit).newtonMetres;
    const at = new Date(this.#context.clock.wallMs()).toISOString();
    for (const segment of segments) {
      const message: z.infer<typeof ChannelLive> = {
        type: 'channel.live', at, channel, unit,
        value: torque / factor,
        startAt: new Date(this.#context.toWallMs(segment.startMs)).toISOString(),
        spacingMs: segment.spacingMs,
        minMax: factor === 1 ? [...segment.pairs] : segment.pairs.map((value) => value / factor),
      };
      this.#context.publish(channel, Buffer.from(JSON.stringify(message)), segment.samples);
    }
  }
}

/** Rates are told apart by whole hertz, below one by tenths, so that there are few of them. */
export function servedLiveHz(askedHz: number): number {
  if (askedHz === 0) return 0;
  return askedHz >= 1 ? Math.round(askedHz) : Math.max(0.1, Math.round(askedHz * 10) / 10);
}
