/**
 * Frames that end with one delimiter byte and are coded so that it does not occur in them: COBS and SLIP. The
 * delimiter is where everything starts anew, so a damaged frame costs itself alone.
 */
import type { FrameCheck, FrameSink, Framer } from './framer.ts';

/** Decodes `bytes[start]` up to `bytes[end]` into `out` from `at` on. @returns where it ends in `out`, or -1 when it is not of that code */
export type FrameDecoder = (bytes: Uint8Array, start: number, end: number, out: Uint8Array, at: number) => number;

export interface FrameCode {
  readonly delimiter: number;
  readonly decode: FrameDecoder;
  /** Bytes on the wire, without delimiter, of the longest coding of so many bytes. */
  readonly maxEncoded: (bytes: number) => number;
}

export interface DelimitedFramerOptions {
  readonly code: FrameCode;
  /** A frame that is longer once decoded is discarded, bytes. */
  readonly maxFrameBytes: number;
  readonly check: FrameCheck | null;
}

const PIECE_BYTES = 16 * 1024;

export class DelimitedFramer implements Framer {
  readonly maxBuffered: number;
  readonly #code: FrameCode;
  readonly #maxFrameBytes: number;
  readonly #check: FrameCheck | null;
  readonly #work: Uint8Array;
  /** Decoded frames of one piece; never longer than their coding. */
  readonly #decoded: Uint8Array;
  readonly #bounds: Int32Array;
  #count = 0;
  #kept = 0;
  #discardedBytes = 0;
  /** Why the next frame is not whole: nothing known yet, or its beginning was thrown away. */
  #missing: 'nothing' | 'start' | 'overlong' = 'start';
  #lostOfFrame = 0;

  constructor({ code, maxFrameBytes, check }: DelimitedFramerOptions) {
    if (!(maxFrameBytes >= 1 && maxFrameBytes <= PIECE_BYTES)) throw new RangeError(`frames of up to ${maxFrameBytes} bytes`);
    this.#code = code;
    this.#maxFrameBytes = maxFrameBytes;
    this.#check = check;
    this.maxBuffered = code.maxEncoded(maxFrameBytes);
    this.#work = new Uint8Array(this.maxBuffered + PIECE_BYTES);
    this.#decoded = new Uint8Array(this.#work.length);
    this.#bounds = new Int32Array(this.#work.length + 2);
  }

  get discardedBytes(): number {
    return this.#discardedBytes;
  }

  get buffered(): number {
    return this.#kept;
  }

  push(chunk: Uint8Array, sink: FrameSink): void {
    for (let at = 0; at < chunk.length; at += PIECE_BYTES) {
      this.#pushPiece(chunk.length <= PIECE_BYTES ? chunk : chunk.subarray(at, at + PIECE_BYTES), sink);
    }
  }

  reset(): number {
    const dropped = this.#kept;
    this.#kept = 0;
    this.#discardedBytes += dropped;
    this.#missing = 'start';
    this.#lostOfFrame = 0;
    return dropped;
  }

  #pushPiece(piece: Uint8Array, sink: FrameSink): void {
    const bytes = this.#work;
    bytes.set(piece, this.#kept);
    const end = this.#kept + piece.length;
    const view = bytes.subarray(0, end);
    let start = 0;
    let filled = 0;
    for (let at = view.indexOf(this.#code.delimiter, this.#kept); at >= 0; at = view.indexOf(this.#code.delimiter, start)) {
      filled = this.#close(start, at, filled, sink);
      start = at + 1;
    }
    this.#give(sink);
    this.#keep(start, end, sink);
  }

  /** A frame from `start` up to the delimiter at `end`. @returns how far the decoded bytes reach */
  #close(start: number, end: number, filled: number, sink: FrameSink): number {
    const missing = this.#missing;
    const lost = this.#lostOfFrame;
    this.#missing = 'nothing';
    this.#lostOfFrame = 0;
    if (missing !== 'nothing') {
      this.#discardedBytes += end - start + 1;
      return filled;
    }
    // Two delimiters in a row, as some senders put one on both sides of a frame.
    if (start === end) return filled;
    const size = end - start + lost;
    const until = size > this.maxBuffered ? -1 : this.#code.decode(this.#work, start, end, this.#decoded, filled);
    if (until >= 0 && until - filled <= this.#maxFrameBytes && (this.#check === null || this.#check(this.#decoded, filled, until))) {
      this.#bounds[2 * this.#count] = filled;
      this.#bounds[2 * this.#count + 1] = until;
      this.#count++;
      return until;
    }
    this.#give(sink);
    this.#discardedBytes += end - start + 1;
    if (size > this.maxBuffered || until - filled > this.#maxFrameBytes) sink.tooLong(size);
    else sink.damaged?.(size + 1, 1, until < 0 ? 'shape' : 'check');
    return filled;
  }

  /** The beginning of the next frame, unless it grows too long. */
  #keep(start: number, end: number, sink: FrameSink): void {
    const size = end - start;
    if (size <= this.maxBuffered && this.#missing !== 'overlong') {
      this.#work.copyWithin(0, start, end);
      this.#kept = size;
      return;
    }
    this.#kept = 0;
    this.#discardedBytes += size;
    this.#lostOfFrame += size;
    if (this.#missing === 'overlong') return;
    this.#missing = 'overlong';
    sink.tooLong(this.#lostOfFrame);
  }

  #give(sink: FrameSink): void {
    if (this.#count === 0) return;
    const count = this.#count;
    this.#count = 0;
    sink.frames(this.#decoded, this.#bounds, count);
  }
}
