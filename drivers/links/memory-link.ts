/** A link with both ends in memory, for tests and for parts that make their own bytes. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { ByteLink } from './link.ts';
import { KEPT_BYTES_MAX, LinkCore } from './link-core.ts';

/** The device's end. */
export interface MemoryFarEnd {
  /**
   * Bytes arrive at the link, at `atMs` of its clock or now. Kept while the link is paused or has no listener.
   * @returns false when the link holds back the sender; more than KEPT_BYTES_MAX and one chunk are then refused.
   * @throws RangeError when bytes are delivered in spite of that
   */
  deliver(data: Uint8Array | string, atMs?: number): boolean;
  /** The same of bytes that are the link's to keep, which are not copied. */
  give(data: Uint8Array, atMs?: number): boolean;
  /** The cable is pulled. */
  unplug(error?: TorsiondError): void;
  /** The bytes come to their planned end, as a recording does. */
  finish(): void;
  /** Everything the link wrote, write by write. */
  readonly written: readonly Uint8Array[];
  /** Called after each write, for devices that answer. */
  onWrite(listener: (data: Uint8Array) => void): void;
  /** From now on writes fail with this error; null: they work again. */
  refuseWrites(error: TorsiondError | null): void;
  readonly isHeld: boolean;
  readonly isOpen: boolean;
}

export function createMemoryLink(clock: Clock, label = 'memory'): { readonly link: ByteLink; readonly far: MemoryFarEnd } {
  const written: Uint8Array[] = [];
  const listeners: ((data: Uint8Array) => void)[] = [];
  let refusal: TorsiondError | null = null;
  const core = new LinkCore(label, clock, {
    hold: () => {},
    release: () => {},
    fail: (error) => void core.finish({ reason: 'lost', error }),
  });
  const link: ByteLink = {
    label,
    ended: core.ended,
    listen: (listener) => core.listen(listener),
    pause: () => core.pause(),
    resume: () => core.resume(),
    write: async (data) => {
      core.assertOpen();
      if (refusal) throw refusal;
      const copy = new Uint8Array(data);
      written.push(copy);
      for (const listener of listeners) listener(copy);
    },
    close: async () => void core.finish({ reason: 'closed' }),
  };
  const far: MemoryFarEnd = {
    written,
    deliver: (data, atMs) => far.give(typeof data === 'string' ? new TextEncoder().encode(data) : new Uint8Array(data), atMs),
    give: (data, atMs) => {
      if (core.isHeld && core.keptBytes >= KEPT_BYTES_MAX) throw new RangeError('the memory link is full and its reader is paused');
      core.deliver(data, atMs);
      return !core.isHeld;
    },
    unplug: (error) => void core.finish({ reason: 'lost', error: error ?? new TorsiondError('LINK_LOST', 'the far end was unplugged', { where: label }) }),
    finish: () => void core.finish({ reason: 'finished' }),
    onWrite: (listener) => void listeners.push(listener),
    refuseWrites: (error) => {
      refusal = error;
    },
    get isHeld() {
      return core.isHeld;
    },
    get isOpen() {
      return core.end === null;
    },
  };
  return { link, far };
}
