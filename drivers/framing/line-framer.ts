/**
 * Lines out of bytes. `@serialport/parser-readline` puts together every line that a chunk border cuts. The guard
 * around it bounds what it sees, because on its own it keeps bytes without a delimiter for ever and copies all of them
 * again with each chunk. The guard must look for delimiters anyway, so lines that lie whole inside a chunk go straight
 * on: where a chunk holds hundreds of lines that costs about a sixth of the parser's time.
 */
import { ReadlineParser } from '@serialport/parser-readline';
import type { FrameSink, Framer } from './framer.ts';

export interface LineFramerOptions {
  /** Bytes that end a line, 1 to 16. */
  readonly delimiter: Uint8Array;
  /** A longer line is discarded, bytes. */
  readonly maxLineBytes: number;
  /** Told of the first partial line after opening, which is discarded; only for recognising answers, never values. */
  readonly onPartial?: (bytes: Uint8Array) => void;
}

/** Larger chunks are looked at in pieces, so that memory stays bounded whatever a link hands over. */
const PIECE_BYTES = 64 * 1024;

/** Collects what the parser would emit, without the machinery of streams around it. */
class DirectReadline extends ReadlineParser {
  readonly lines: Uint8Array[] = [];

  feed(bytes: Uint8Array): void {
    this._transform(bytes as Buffer, 'binary', ignore);
  }

  override push(line: Uint8Array | null): boolean {
    if (line) this.lines.push(line);
    return true;
  }

  get rest(): number {
    return this.buffer.length;
  }

  /** Keeps only the last bytes, in which a delimiter may have begun. */
  cut(keep: number): number {
    const dropped = Math.max(0, this.buffer.length - keep);
    if (dropped > 0) this.buffer = Buffer.from(this.buffer.subarray(dropped));
    return dropped;
  }
}

function ignore(): void {}

export class LineFramer implements Framer {
  readonly maxBuffered: number;
  readonly #delimiter: Buffer;
  readonly #maxLineBytes: number;
  readonly #onPartial: ((bytes: Uint8Array) => void) | undefined;
  readonly #parser: DirectReadline;
  #bounds = new Int32Array(1024);
  #discardedBytes = 0;
  /** Why the next line is not whole: nothing known yet, or its beginning was thrown away. */
  #missing: 'nothing' | 'start' | 'overlong' = 'start';
  /** Bytes of the present line that are thrown away already. */
  #lostOfLine = 0;

  constructor(options: LineFramerOptions) {
    const { delimiter, maxLineBytes } = options;
    if (delimiter.length < 1 || delimiter.length > 16) throw new RangeError(`a delimiter of ${delimiter.length} bytes`);
    if (!(maxLineBytes >= 1 && maxLineBytes <= PIECE_BYTES)) throw new RangeError(`lines of up to ${maxLineBytes} bytes`);
    this.#delimiter = Buffer.from(delimiter);
    this.#maxLineBytes = maxLineBytes;
    this.#onPartial = options.onPartial;
    this.maxBuffered = maxLineBytes + delimiter.length - 1;
    this.#parser = new DirectReadline({ delimiter: this.#delimiter });
  }

  get discardedBytes(): number {
    return this.#discardedBytes;
  }

  get buffered(): number {
    return this.#parser.rest;
  }

  push(chunk: Uint8Array, sink: FrameSink): void {
    for (let at = 0; at < chunk.length; at += PIECE_BYTES) {
      this.#pushPiece(chunk.length <= PIECE_BYTES ? chunk : chunk.subarray(at, at + PIECE_BYTES), sink);
    }
  }

  reset(): number {
    const dropped = this.#parser.cut(0);
    this.#discardedBytes += dropped;
    this.#missing = 'start';
    this.#lostOfLine = 0;
    return dropped;
  }

  #pushPiece(piece: Uint8Array, sink: FrameSink): void {
    let from = 0;
    if (this.#missing !== 'nothing' || this.#parser.rest > 0) {
      from = this.#finishBegun(piece, sink);
      if (from < 0) return;
    }
    from = this.#whole(piece, from, sink);
    if (from < piece.length) this.#begin(from === 0 ? piece : piece.subarray(from), sink);
  }

  /** The line that began in an earlier chunk. @returns where the bytes after it begin, or -1 when it goes on */
  #finishBegun(piece: Uint8Array, sink: FrameSink): number {
    const end = this.#endOfBegun(piece);
    if (end < 0) {
      this.#begin(piece, sink);
      return -1;
    }
    this.#parser.feed(end === piece.length ? piece : piece.subarray(0, end));
    for (const line of this.#parser.lines) this.#handBegun(line, sink);
    this.#parser.lines.length = 0;
    return end;
  }

  /** Where the first delimiter ends, also one that began in the chunk before; -1 when there is none. */
  #endOfBegun(piece: Uint8Array): number {
    const width = this.#delimiter.length;
    if (width === 1) return piece.indexOf(this.#delimiter[0]!) + 1 || -1;
    const before = this.#parser.buffer.subarray(-(width - 1));
    const seam = Buffer.concat([before, piece.subarray(0, width - 1)]);
    const acrossAt = seam.indexOf(this.#delimiter);
    if (acrossAt >= 0) return acrossAt + width - before.length;
    const at = asBuffer(piece).indexOf(this.#delimiter);
    return at < 0 ? -1 : at + width;
  }

  #handBegun(line: Uint8Array, sink: FrameSink): void {
    const missing = this.#missing;
    this.#missing = 'nothing';
    const lost = this.#lostOfLine;
    this.#lostOfLine = 0;
    if (missing === 'nothing' && line.length <= this.#maxLineBytes) {
      this.#bounds[0] = 0;
      this.#bounds[1] = line.length;
      sink.frames(line, this.#bounds, 1);
      return;
    }
    this.#discardedBytes += line.length + this.#delimiter.length;
    if (missing === 'start') this.#onPartial?.(line);
    // A stretch is told of when it grows too long, or here when it ended within the chunk that made it so.
    if (missing !== 'overlong' && lost + line.length > this.#maxLineBytes) sink.tooLong(lost + line.length);
  }

  /** Lines that lie whole in the piece. @returns where the bytes after the last of them begin */
  #whole(piece: Uint8Array, from: number, sink: FrameSink): number {
    const width = this.#delimiter.length;
    const maxLineBytes = this.#maxLineBytes;
    const last = this.#delimiter[width - 1]!;
    const wide = width > 1 ? asBuffer(piece) : null;
    let bounds = this.#bounds;
    let count = 0;
    let start = from;
    for (;;) {
      let end = start;
      if (wide) {
        end = wide.indexOf(this.#delimiter, start);
        if (end < 0) break;
      } else {
        while (end < piece.length && piece[end] !== last) end++;
        if (end === piece.length) break;
      }
      if (end - start > maxLineBytes) {
        if (count > 0) sink.frames(piece, bounds, count);
        count = 0;
        this.#discardedBytes += end - start + width;
        sink.tooLong(end - start);
      } else {
        if (2 * count === bounds.length) bounds = this.#growBounds();
        bounds[2 * count] = start;
        bounds[2 * count + 1] = end;
        count++;
      }
      start = end + width;
    }
    if (count > 0) sink.frames(piece, bounds, count);
    return start;
  }

  #growBounds(): Int32Array<ArrayBuffer> {
    const larger = new Int32Array(this.#bounds.length * 2);
    larger.set(this.#bounds);
    this.#bounds = larger;
    return larger;
  }

  /** Bytes without a delimiter: the beginning of the next line, unless it grows too long. */
  #begin(bytes: Uint8Array, sink: FrameSink): void {
    const parser = this.#parser;
    const keep = this.#delimiter.length - 1;
    if (parser.rest + bytes.length <= this.maxBuffered && this.#missing !== 'overlong') {
      parser.feed(bytes);
      return;
    }
    // Only the end can matter: a delimiter may have begun in it.
    const had = parser.rest + bytes.length;
    if (bytes.length >= keep) parser.cut(0);
    if (keep > 0) parser.feed(bytes.length > keep ? bytes.subarray(bytes.length - keep) : bytes);
    parser.cut(keep);
    const dropped = had - parser.rest;
    this.#discardedBytes += dropped;
    this.#lostOfLine += dropped;
    if (this.#missing === 'overlong') return;
    this.#missing = 'overlong';
    sink.tooLong(this.#lostOfLine);
  }
}

function asBuffer(bytes: Uint8Array): Buffer {
  return Buffer.isBuffer(bytes) ? bytes : Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
}
