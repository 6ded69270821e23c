/**
 * Frames among bytes: how they are told apart, and what proves it. A length that repeats proves nothing; a checksum that
 * is right in nearly every frame does, and so does a counter. Pure.
 */
import { CHECKSUM_NAMES, checksum, type ChecksumName } from '../../drivers/framing/checksum.ts';
import { COBS } from '../../drivers/framing/cobs.ts';
import type { FrameCode } from '../../drivers/framing/delimited-framer.ts';
import { SLIP } from '../../drivers/framing/slip.ts';
import { binaryShape } from './binary-shape.ts';

export type ByteOrder = 'big' | 'little';

export interface FrameShape {
  readonly framing: { readonly kind: 'sync'; readonly sync: Uint8Array } | { readonly kind: 'cobs' | 'slip' };
  /** Bytes of every frame, decoded, sync bytes and checksum included. */
  readonly length: number;
  /** Whole frames in order, decoded. */
  readonly frames: readonly Uint8Array[];
  /** For each frame the place behind it in the bytes. */
  readonly ends: readonly number[];
  readonly checksum: { readonly name: ChecksumName; readonly bytes: number; readonly byteOrder: ByteOrder; readonly from: number } | null;
  readonly counter: { readonly at: number; readonly type: 'u8' | 'u16'; readonly byteOrder: ByteOrder } | null;
}

export const FRAMES_MIN = 12;
/** Frames of different content, without which every checksum could be right by chance. */
const DIFFERENT_MIN = 8;
const RIGHT_SHARE = 0.95;
const LOOKED_AT_BYTES = 16_384;
const CHECKED_FRAMES = 80;
const LONGEST_DECODED = 256;
const SYNC_MOST = 2;

/** @returns null when neither a checksum nor a counter is right in nearly every frame */
export function frameShape(data: Uint8Array): FrameShape | null {
  const bytes = data.subarray(0, LOOKED_AT_BYTES);
  return delimitedShape(bytes, 'cobs', COBS) ?? delimitedShape(bytes, 'slip', SLIP) ?? syncShape(bytes);
}

function delimitedShape(bytes: Uint8Array, kind: 'cobs' | 'slip', code: FrameCode): FrameShape | null {
  const found: { readonly frame: Uint8Array; readonly end: number }[] = [];
  const room = new Uint8Array(bytes.length + 1);
  let tried = 0;
  let from = bytes.indexOf(code.delimiter) + 1;
  if (from === 0) return null;
  for (let end = bytes.indexOf(code.delimiter, from); end >= 0; from = end + 1, end = bytes.indexOf(code.delimiter, from)) {
    if (end === from) continue; // a delimiter before the frame too
    tried++;
    const to = end - from > 2 * LONGEST_DECODED ? -1 : code.decode(bytes, from, end, room, 0);
    if (to > 1) found.push({ frame: room.slice(0, to), end: end + 1 });
  }
  const length = commonestOf(found.map(({ frame }) => frame.length));
  const whole = found.filter(({ frame }) => frame.length === length);
  if (length === null || whole.length < FRAMES_MIN || whole.length < tried * RIGHT_SHARE) return null;
  return proven({ kind }, whole.map(({ frame }) => frame), whole.map(({ end }) => end), 0);
}

function syncShape(bytes: Uint8Array): FrameShape | null {
  const shape = binaryShape(bytes);
  if (shape === null) return null;
  const { frameBytes: length, constantBytes } = shape;
  const steady = new Map(constantBytes.map(({ offset, value }) => [offset, value]));
  const candidates: FrameShape[] = [];
  for (const start of steady.keys()) {
    // Only a byte that stays can begin a frame.
    const run = runFrom(steady, start, length);
    const sync = Uint8Array.from({ length: Math.min(run, SYNC_MOST) }, (_, i) => steady.get((start + i) % length)!);
    const frames: Uint8Array[] = [];
    const ends: number[] = [];
    for (let at = start; at + length <= bytes.length; at += length) {
      if (!sync.every((byte, i) => bytes[at + i] === byte)) continue;
      frames.push(bytes.subarray(at, at + length));
      ends.push(at + length);
    }
    if (frames.length < FRAMES_MIN) continue;
    const shaped = proven({ kind: 'sync', sync }, frames, ends, run);
    if (shaped) candidates.push(shaped);
  }
  // With a checksum only one beginning is right; a counter alone is there from every one, and the longest run of steady bytes is likeliest.
  return candidates.find((shaped) => shaped.checksum !== null) ?? candidates.sort((a, b) => syncBytes(b) - syncBytes(a))[0] ?? null;
}

const syncBytes = ({ framing }: FrameShape): number => (framing.kind === 'sync' ? framing.sync.length : 0);

function runFrom(steady: ReadonlyMap<number, number>, start: number, length: number): number {
  let run = 0;
  while (run < length && steady.has((start + run) % length)) run++;
  return run;
}

function proven(framing: FrameShape['framing'], frames: readonly Uint8Array[], ends: readonly number[], coveredLater: number): FrameShape | null {
  const different = new Set(frames.slice(0, CHECKED_FRAMES).map((frame) => frame.join()));
  if (different.size < DIFFERENT_MIN) return null;
  const length = frames[0]!.length;
  const sum = findChecksum(frames, Math.min(coveredLater, SYNC_MOST));
  const counter = findCounter(frames, framing.kind === 'sync' ? framing.sync.length : 0, length - (sum?.bytes ?? 0));
  return sum === null && counter === null ? null : { framing, length, frames, ends, checksum: sum, counter };
}

function findChecksum(frames: readonly Uint8Array[], latestFrom: number): FrameShape['checksum'] {
  const checked = frames.slice(0, CHECKED_FRAMES);
  const length = checked[0]!.length;
  // The wider first: a frame that ends with a right 32-bit CRC is not one with a right sum.
  const names = [...CHECKSUM_NAMES].sort((a, b) => checksum(b).bytes - checksum(a).bytes);
  for (const name of names) {
    const { bytes, compute } = checksum(name);
    for (let from = 0; from <= latestFrom && from + bytes < length; from++) {
      for (const byteOrder of bytes === 1 ? (['big'] as const) : (['little', 'big'] as const)) {
        const isRight = (frame: Uint8Array): boolean => compute(frame, from, length - bytes) === numberAt(frame, length - bytes, bytes, byteOrder);
        if (shareReaches(checked, isRight)) return { name, bytes, byteOrder, from };
      }
    }
  }
  return null;
}

/** A number that rises by one from each frame to the next. */
function findCounter(frames: readonly Uint8Array[], from: number, to: number): FrameShape['counter'] {
  for (let at = from; at < to; at++) {
    if (!counts(frames, at)) continue;
    if (at + 1 < to && isHighByte(frames, at + 1, at)) return { at, type: 'u16', byteOrder: 'little' };
    if (at > from && isHighByte(frames, at - 1, at)) return { at: at - 1, type: 'u16', byteOrder: 'big' };
    return { at, type: 'u8', byteOrder: 'big' };
  }
  return null;
}

function counts(frames: readonly Uint8Array[], at: number): boolean {
  return shareReaches(pairsOf(frames), ([before, after]) => after[at] === (before[at]! + 1) % 256);
}

/** Only known to be one when the low byte was seen to go round, each time with the high byte one up, and at no other time. */
function isHighByte(frames: readonly Uint8Array[], high: number, low: number): boolean {
  const pairs = pairsOf(frames);
  const rounds = pairs.filter(([before, after]) => before[low] === 255 && after[low] === 0);
  return rounds.length > 0 && rounds.every(([before, after]) => after[high] === (before[high]! + 1) % 256)
    && shareReaches(pairs.filter((pair) => !rounds.includes(pair)), ([before, after]) => after[high] === before[high]);
}

function pairsOf(frames: readonly Uint8Array[]): readonly (readonly [Uint8Array, Uint8Array])[] {
  return frames.slice(1).map((frame, i) => [frames[i]!, frame] as const);
}

function numberAt(frame: Uint8Array, at: number, bytes: number, byteOrder: ByteOrder): number {
  let value = 0;
  for (let i = 0; i < bytes; i++) value = value * 256 + frame[byteOrder === 'big' ? at + i : at + bytes - 1 - i]!;
  return value;
}

function shareReaches<Item>(items: readonly Item[], isRight: (item: Item) => boolean): boolean {
  let wrong = 0;
  const allowed = Math.floor(items.length * (1 - RIGHT_SHARE));
  for (const item of items) {
    if (isRight(item)) continue;
    if (++wrong > allowed) return false;
  }
  return items.length > 0;
}

function commonestOf(numbers: readonly number[]): number | null {
  const counts_ = new Map<number, number>();
  for (const number of numbers) counts_.set(number, (counts_.get(number) ?? 0) + 1);
  return [...counts_].sort((a, b) => b[1] - a[1])[0]?.[0] ?? null;
}
