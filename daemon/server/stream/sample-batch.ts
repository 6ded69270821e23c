import type { SampleBlock } from '../../../shared/sample-block.ts';
import { encodeSamples } from '../../../shared/wire/binary-samples.ts';
import type { Samples } from '../../../shared/wire/events.ts';
import type * as z from 'zod';

export type SampleFormat = 'json' | 'binary' | 'binary64';

/** Consecutive samples of one channel as they leave, encoded once per format for all clients. */
export class SampleBatch {
  readonly channel: string;
  readonly channelIndex: number;
  readonly epoch: number;
  readonly firstIndex: number;
  readonly startWallMs: number;
  readonly spacingMs: number;
  /** The samples do not continue the batch before. */
  readonly isBroken: boolean;
  /** N.m */
  readonly torque: Float64Array;
  readonly #atMs: number;
  readonly #encoded = new Map<string, Uint8Array>();

  constructor(blocks: readonly SampleBlock[], facts: { channelIndex: number; startWallMs: number; atMs: number; isBroken: boolean }) {
    const first = blocks[0]!;
    this.channel = first.channel;
    this.channelIndex = facts.channelIndex;
    this.epoch = first.epoch;
    this.firstIndex = first.firstIndex;
    this.startWallMs = facts.startWallMs;
    this.spacingMs = first.spacingMs;
    this.isBroken = facts.isBroken;
    this.torque = joined(blocks);
    this.#atMs = facts.atMs;
  }

  /** @param broken true also for a client that was not given the batch before */
  encoded(format: SampleFormat, broken: boolean): Uint8Array {
    const key = broken ? `${format}!` : format;
    let bytes = this.#encoded.get(key);
    if (bytes === undefined) {
      bytes = format === 'json' ? this.#json(broken) : this.#binary(format, broken);
      this.#encoded.set(key, bytes);
    }
    return bytes;
  }

  #binary(format: 'binary' | 'binary64', broken: boolean): Uint8Array {
    return encodeSamples({
      channelIndex: this.channelIndex, epoch: this.epoch, firstIndex: this.firstIndex, startWallMs: this.startWallMs,
      spacingMs: this.spacingMs, broken, samples: format === 'binary64' ? this.torque : new Float32Array(this.torque),
    });
  }

  #json(broken: boolean): Uint8Array {
    const message: z.infer<typeof Samples> = {
      type: 'samples', at: new Date(this.#atMs).toISOString(), channel: this.channel, epoch: this.epoch,
      firstIndex: this.firstIndex, startAt: new Date(this.startWallMs).toISOString(), spacingMs: this.spacingMs,
      broken, torque: Array.from(this.torque),
    };
    return Buffer.from(JSON.stringify(message));
  }
}

function joined(blocks: readonly SampleBlock[]): Float64Array {
  if (blocks.length === 1) return blocks[0]!.torque;
  const all = new Float64Array(blocks.reduce((count, block) => count + block.torque.length, 0));
  let at = 0;
  for (const block of blocks) {
    all.set(block.torque, at);
    at += block.torque.length;
  }
  return all;
}

/** Most samples of one batch: a frame stays far below what clients take. */
export const MAX_BATCH_SAMPLES = 8_192;
