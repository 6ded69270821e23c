/** What every link shares: one listener, bytes kept until it comes, times that never go back, one end. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { ByteChunk, LinkEnd } from './link.ts';

/** Bytes kept for a listener that has not come yet or pauses; beyond it the link stops reading. */
export const KEPT_BYTES_MAX = 256 * 1024;

export interface LinkCoreHooks {
  /** Stop reading: nobody takes the bytes. Called again only after `release`. */
  hold(): void;
  release(): void;
  /** The listener threw: its driver is broken. The link must end. */
  fail(error: TorsiondError): void;
}

export class LinkCore {
  readonly label: string;
  readonly ended: Promise<LinkEnd>;
  readonly #clock: Clock;
  readonly #hooks: LinkCoreHooks;
  #resolveEnded!: (end: LinkEnd) => void;
  #end: LinkEnd | null = null;
  #listener: ((chunk: ByteChunk) => void) | null = null;
  #kept: ByteChunk[] = [];
  /** So many at the front of `#kept` were handed over: taking them out one by one costs seconds when there are many. */
  #handed = 0;
  #keptBytes = 0;
  #isPaused = false;
  #isHeld = false;
  #lastMs = Number.NEGATIVE_INFINITY;

  constructor(label: string, clock: Clock, hooks: LinkCoreHooks) {
    this.label = label;
    this.#clock = clock;
    this.#hooks = hooks;
    this.ended = new Promise((resolve) => {
      this.#resolveEnded = resolve;
    });
  }

  get end(): LinkEnd | null {
    return this.#end;
  }

  /** True while bytes given to `deliver` would only be kept. */
  get isHeld(): boolean {
    return this.#isHeld;
  }

  /** Bytes that arrived and that nobody took yet; at most KEPT_BYTES_MAX and one chunk. */
  get keptBytes(): number {
    return this.#keptBytes;
  }

  listen(listener: (chunk: ByteChunk) => void): void {
    if (this.#listener) throw new TorsiondError('INTERNAL', 'a link takes one listener; this one already has it', { where: this.label });
    this.#listener = listener;
    if (!this.#isPaused) this.#flush();
  }

  pause(): void {
    this.#isPaused = true;
    this.#hold();
  }

  resume(): void {
    if (!this.#isPaused) return;
    this.#isPaused = false;
    if (this.#listener) this.#flush();
  }

  /** `data` must be the link's to give away. `atMs` defaults to now. */
  deliver(data: Uint8Array, atMs = this.#clock.monoMs()): void {
    if (this.#end || data.length === 0) return;
    const at = atMs > this.#lastMs ? atMs : this.#lastMs;
    this.#lastMs = at;
    if (this.#listener && !this.#isPaused && this.#kept.length === 0) {
      this.#hand({ data, atMs: at });
    } else {
      this.#kept.push({ data, atMs: at });
      this.#keptBytes += data.length;
      if (this.#keptBytes >= KEPT_BYTES_MAX) this.#hold();
    }
  }

  /** The first end counts. @returns whether this was it. */
  finish(end: LinkEnd): boolean {
    if (this.#end) return false;
    this.#end = end;
    this.#kept = [];
    this.#handed = 0;
    this.#keptBytes = 0;
    this.#resolveEnded(end);
    return true;
  }

  /** @throws TorsiondError LINK_CLOSED after the end: what is written then would reach nobody, or the next device. */
  assertOpen(): void {
    if (this.#end) throw new TorsiondError('LINK_CLOSED', 'nothing can be written: the link has ended', { where: this.label });
  }

  #hold(): void {
    if (this.#isHeld || this.#end) return;
    this.#isHeld = true;
    this.#hooks.hold();
  }

  #flush(): void {
    while (this.#handed < this.#kept.length && !this.#isPaused && !this.#end) {
      const chunk = this.#kept[this.#handed++]!;
      this.#keptBytes -= chunk.data.length;
      this.#hand(chunk);
    }
    this.#kept.splice(0, this.#handed);
    this.#handed = 0;
    if (this.#isHeld && !this.#isPaused && !this.#end) {
      this.#isHeld = false;
      this.#hooks.release();
    }
  }

  #hand(chunk: ByteChunk): void {
    try {
      this.#listener!(chunk);
    } catch (thrown) {
      this.#hooks.fail(asTorsiondError(thrown, 'DRIVER_FAILED'));
    }
  }
}
