/** Runs a framer over chunks and keeps what it said. */
import { expect } from 'vitest';
import type { Framer } from '../../../../drivers/framing/framer.ts';

export interface FrameLog {
  /** As hexadecimal text. */
  readonly frames: string[];
  readonly damaged: { bytes: number; frames: number; reason: string }[];
  tooLong: number;
}

export function runFramer(framer: Framer, chunks: readonly Uint8Array[]): FrameLog {
  const log: FrameLog = { frames: [], damaged: [], tooLong: 0 };
  for (const chunk of chunks) {
    framer.push(chunk, {
      frames: (bytes, bounds, count) => {
        for (let i = 0; i < count; i++) log.frames.push(Buffer.from(bytes.subarray(bounds[2 * i], bounds[2 * i + 1])).toString('hex'));
      },
      tooLong: () => {
        log.tooLong++;
      },
      damaged: (bytes, frames, reason) => {
        log.damaged.push({ bytes, frames, reason });
      },
    });
    expect(framer.buffered).toBeLessThanOrEqual(framer.maxBuffered);
  }
  return log;
}

/** Cuts bytes into pieces of the given sizes, over and over. */
export function split(bytes: Uint8Array, sizes: readonly number[]): Uint8Array[] {
  const chunks: Uint8Array[] = [];
  for (let at = 0, i = 0; at < bytes.length; i++) {
    const size = sizes[i % sizes.length]!;
    chunks.push(bytes.subarray(at, at + size));
    at += size;
  }
  return chunks;
}
