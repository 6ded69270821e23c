import type { Clock } from '../../../shared/clock.ts';
import type { SampleBlock } from '../../../shared/sample-block.ts';
import { MAX_BATCH_SAMPLES, SampleBatch } from './sample-batch.ts';

/** Blocks are joined for so long before they leave: 50 sends a second whatever the sample rate. */
export const BATCH_MS = 20;

interface Pending { blocks: SampleBlock[]; count: number; nextIndex: number; isBroken: boolean }

export interface SampleFeedContext {
  readonly clock: Clock;
  readonly toWallMs: (monoMs: number) => number;
  readonly channelIndex: (channel: string) => number;
  readonly publish: (batch: SampleBatch) => void;
}

/**
 * Joins the blocks of every channel to batches of about 20 ms. Bounded by `MAX_BATCH_SAMPLES` per channel, beyond
 * which a batch leaves at once. Works with blocks only; a single timer runs while something waits.
 */
export class SampleFeed {
  readonly #context: SampleFeedContext;
  readonly #pending = new Map<string, Pending>();
  #cancelTimer: (() => void) | null = null;

  constructor(context: SampleFeedContext) {
    this.#context = context;
  }

  add(block: SampleBlock): void {
    let pending = this.#pending.get(block.channel);
    if (pending === undefined) {
      pending = { blocks: [], count: 0, nextIndex: -1, isBroken: true };
      this.#pending.set(block.channel, pending);
    }
    const continues = block.gap === null && block.firstIndex === pending.nextIndex
      && (pending.blocks.length === 0 || pending.blocks[0]!.epoch === block.epoch);
    if (!continues) {
      this.#flush(pending);
      pending.isBroken = true;
    }
    pending.blocks.push(block);
    pending.count += block.torque.length;
    pending.nextIndex = block.firstIndex + block.torque.length;
    if (pending.count >= MAX_BATCH_SAMPLES) this.#flush(pending);
    else this.#cancelTimer ??= this.#context.clock.after(BATCH_MS, () => this.flush());
  }

  /** Forgets what waits; the next batch of every channel is a broken one. */
  clear(): void {
    this.#cancelTimer?.();
    this.#cancelTimer = null;
    this.#pending.clear();
  }

  /** Sends what waits, for example because something else leaves now anyway. */
  flush(): void {
    this.#cancelTimer?.();
    this.#cancelTimer = null;
    for (const pending of this.#pending.values()) this.#flush(pending);
  }

  #flush(pending: Pending): void {
    if (pending.blocks.length === 0) return;
    const { blocks, isBroken } = pending;
    const { clock, toWallMs, channelIndex, publish } = this.#context;
    pending.blocks = [];
    pending.count = 0;
    pending.isBroken = false;
    publish(new SampleBatch(blocks, {
      channelIndex: channelIndex(blocks[0]!.channel), startWallMs: toWallMs(blocks[0]!.startMs), atMs: clock.wallMs(), isBroken,
    }));
  }
}
