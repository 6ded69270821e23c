/** Bytes to frames: synchronous, pure, bounded. */

/**
 * Takes what a framer found, in the order of the bytes. Frames come in runs, because a fast device sends hundreds of
 * them in one chunk and one call per frame would cost more than the frame.
 */
export interface FrameSink {
  /**
   * `count` frames lie in `bytes`: frame i from `bounds[2 * i]` up to, not including, `bounds[2 * i + 1]`; delimiters
   * are outside, sync bytes and checksums inside. `bytes` and `bounds` are only lent for the call. The first `early` of
   * them, default none, were whole before this chunk came, and only what it brought shows that they are frames.
   */
  frames(bytes: Uint8Array, bounds: Int32Array, count: number, early?: number): void;
  /** A stretch without a usable frame began here: at least `bytes` bytes so far. Told once per stretch. */
  tooLong(bytes: number): void;
  /**
   * A stretch that should have held frames but whose bytes fail, told when it is over and before the frames behind it:
   * `bytes` were thrown away in it, in the place of about `frames` frames (at least 1). `check`: what looked like a
   * frame failed its check; `shape`: nothing looked like one. Only from framers that can tell.
   */
  damaged?(bytes: number, frames: number, reason: 'check' | 'shape'): void;
}

/** Whether the bytes from `start` up to `end` are a whole frame: checksum, end mark. */
export type FrameCheck = (bytes: Uint8Array, start: number, end: number) => boolean;

/** One framer serves one connection; a new connection takes a new one. */
export interface Framer {
  /** Calls the sink during the call, for what this chunk completed. */
  push(chunk: Uint8Array, sink: FrameSink): void;
  /** Throws away what is not complete and starts anew, as after opening. @returns the bytes thrown away by it */
  reset(): number;
  /** Bytes thrown away so far: the first partial frame, over-long stretches, what `reset` dropped. */
  readonly discardedBytes: number;
  /** Bytes kept for the next chunk; at most `maxBuffered`. */
  readonly buffered: number;
  readonly maxBuffered: number;
}
