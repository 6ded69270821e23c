/**
 * Frames that begin with sync bytes, or with nothing, and whose length is fixed or stands in them. Where a frame is
 * expected and fails, the next byte is tried, and the next: nothing that was once received is skipped because a false
 * frame lay over it, and pauses mean nothing.
 *
 * How much it takes to believe in a frame depends on what protects it. Sync bytes and checksum together must make a
 * chance hit rarer than one in 2^24 before the framer locks on, so weak frames must come several in a row. Without a
 * checksum a frame is given when the next one begins right behind it, since a lost byte shows only there.
 */
import type { FrameCheck, FrameSink, Framer } from './framer.ts';

export type FrameLength =
  /** Bytes of the whole frame. */
  | number
  | {
      /** Bytes of the whole frame that begins at `start`, read from it; `headBytes` are there. */
      readonly read: (bytes: Uint8Array, start: number) => number;
      readonly headBytes: number;
      readonly min: number;
      readonly max: number;
    };

export interface SyncFramerOptions {
  /** 0 to 16 bytes. */
  readonly sync: Uint8Array;
  readonly length: FrameLength;
  readonly check: FrameCheck | null;
  /** Bits of the check; 0 without one. */
  readonly checkBits: number;
}

const PIECE_BYTES = 16 * 1024;
const LOCK_BITS = 24;
/** A stretch is told of as too long after so many frames of the greatest length. */
const LONG_STRETCH_FRAMES = 4;
const MORE = 0;
const NO_FRAME = -1;

export class SyncFramer implements Framer {
  readonly maxBuffered: number;
  readonly #options: SyncFramerOptions;
  readonly #sync: Uint8Array;
  readonly #maxFrame: number;
  /** Frames in a row that it takes to lock on. */
  readonly #framesToLock: number;
  /** Bytes of the next frame that are looked at before a frame is given. */
  readonly #lookAhead: number;
  readonly #work: Uint8Array;
  #kept = 0;
  /** Bytes of chunks before, at the beginning of `#work`. */
  #earlier = 0;
  readonly #bounds: Int32Array;
  #count = 0;
  #discardedBytes = 0;
  #isLocked = false;
  #wasLocked = false;
  /** Length of the last frame given. */
  #lastFrame = 0;
  #stretch = 0;
  #reason: 'check' | 'shape' = 'shape';
  #isStretchTold = false;

  constructor(options: SyncFramerOptions) {
    const { sync, length, check, checkBits } = options;
    const min = typeof length === 'number' ? length : length.min;
    this.#maxFrame = typeof length === 'number' ? length : length.max;
    if (sync.length > 16) throw new RangeError(`${sync.length} sync bytes`);
    if (!(min > sync.length && this.#maxFrame >= min && this.#maxFrame <= PIECE_BYTES)) throw new RangeError(`frames of ${min} to ${this.#maxFrame} bytes`);
    if (sync.length === 0 && check === null) throw new RangeError('frames without sync bytes and without a check cannot be found');
    this.#options = options;
    this.#sync = sync;
    this.#framesToLock = Math.ceil(LOCK_BITS / (8 * sync.length + (check === null ? 0 : checkBits)));
    this.#lookAhead = check === null ? sync.length : 0;
    this.maxBuffered = this.#framesToLock * this.#maxFrame + this.#lookAhead - 1;
    this.#work = new Uint8Array(this.maxBuffered + PIECE_BYTES);
    this.#bounds = new Int32Array(2 * Math.ceil(this.#work.length / min));
  }

  get discardedBytes(): number {
    return this.#discardedBytes;
  }

  get buffered(): number {
    return this.#kept;
  }

  push(chunk: Uint8Array, sink: FrameSink): void {
    for (let at = 0; at < chunk.length; at += PIECE_BYTES) {
      const piece = chunk.length <= PIECE_BYTES ? chunk : chunk.subarray(at, at + PIECE_BYTES);
      this.#work.set(piece, this.#kept);
      this.#earlier = at === 0 ? this.#kept : 0;
      const end = this.#kept + piece.length;
      const from = this.#scan(end, sink);
      this.#give(sink);
      this.#work.copyWithin(0, from, end);
      this.#kept = end - from;
    }
  }

  reset(): number {
    const dropped = this.#kept;
    this.#kept = 0;
    this.#discardedBytes += dropped;
    this.#isLocked = false;
    this.#wasLocked = false;
    this.#stretch = 0;
    this.#isStretchTold = false;
    return dropped;
  }

  /** @returns where the bytes begin that must be kept */
  #scan(end: number, sink: FrameSink): number {
    let at = 0;
    for (;;) {
      if (this.#isLocked) {
        const size = this.#frameAt(at, end);
        if (size === MORE) return at;
        if (size > 0) {
          this.#bounds[2 * this.#count] = at;
          this.#bounds[2 * this.#count + 1] = at + size;
          this.#count++;
          this.#lastFrame = size;
          at += size;
          continue;
        }
        this.#give(sink);
        this.#isLocked = false;
        at = this.#drop(at, at + 1, sink);
      }
      const start = this.#sync.length === 0 ? at : this.#work.subarray(0, end).indexOf(this.#sync[0]!, at);
      at = this.#drop(at, start < 0 ? end : start, sink);
      if (at === end) return at;
      const lock = this.#canLock(at, end);
      if (lock === MORE) return at;
      if (lock === NO_FRAME) at = this.#drop(at, at + 1, sink);
      else this.#lock(sink);
    }
  }

  /** @returns the length of the frame, MORE when bytes are missing to say, NO_FRAME */
  #frameAt(at: number, end: number): number {
    const { length, check } = this.#options;
    const work = this.#work;
    const sync = this.#sync;
    this.#reason = 'shape';
    for (let i = 0; i < sync.length; i++) {
      if (at + i >= end) return MORE;
      if (work[at + i] !== sync[i]) return NO_FRAME;
    }
    let size: number;
    if (typeof length === 'number') {
      size = length;
    } else {
      if (end - at < length.headBytes) return MORE;
      size = length.read(work, at);
      if (!(size >= length.min && size <= length.max)) return NO_FRAME;
    }
    if (end - at < size) return MORE;
    if (check !== null && !check(work, at, at + size)) {
      this.#reason = 'check';
      return NO_FRAME;
    }
    for (let i = 0; i < this.#lookAhead; i++) {
      if (at + size + i >= end) return MORE;
      if (work[at + size + i] !== sync[i]) return NO_FRAME;
    }
    return size;
  }

  #canLock(at: number, end: number): number {
    let next = at;
    for (let i = 0; i < this.#framesToLock; i++) {
      const size = this.#frameAt(next, end);
      if (size <= 0) return size;
      next += size;
    }
    return 1;
  }

  #lock(sink: FrameSink): void {
    const stretch = this.#stretch;
    if (this.#wasLocked && stretch > 0) sink.damaged?.(stretch, Math.max(1, Math.round(stretch / this.#lastFrame)), this.#stretchReason);
    this.#stretch = 0;
    this.#isStretchTold = false;
    this.#isLocked = true;
    this.#wasLocked = true;
  }

  #stretchReason: 'check' | 'shape' = 'shape';

  /** Throws bytes away. @returns `to` */
  #drop(from: number, to: number, sink: FrameSink): number {
    if (this.#stretch === 0) this.#stretchReason = this.#reason;
    this.#discardedBytes += to - from;
    this.#stretch += to - from;
    if (!this.#isStretchTold && this.#stretch > LONG_STRETCH_FRAMES * this.#maxFrame) {
      this.#isStretchTold = true;
      sink.tooLong(this.#stretch);
    }
    return to;
  }

  #give(sink: FrameSink): void {
    if (this.#count === 0) return;
    const count = this.#count;
    this.#count = 0;
    let early = 0;
    while (early < count && this.#bounds[2 * early + 1]! <= this.#earlier) early++;
    sink.frames(this.#work, this.#bounds, count, early);
  }
}
