/**
 * One open link, shared out: settling throws bytes away, then one driver session after another may have it. A session
 * that was ended neither hears nor writes any more, so no late command of it reaches whoever has the link then.
 */
import type { AskNote, AskNotes, ByteChunk, ByteLink, LinkEnd } from '../../drivers/links/link.ts';
import { TorsiondError } from '../../shared/errors.ts';

/** Bytes kept for a driver that has not begun to listen; the oldest go first, counted. */
const MAX_KEPT_BYTES = 65_536;

export interface SharedLinkHooks {
  /** Bytes came while nobody has the link. */
  readonly onSettling: () => void;
  /** A chunk goes to a driver. */
  readonly onChunk: (chunk: ByteChunk) => void;
  /** The driver's listener threw. */
  readonly onThrown: (thrown: unknown) => void;
  /** What a driver that asks did. Left out: nobody wants to know. */
  readonly onNote?: (note: AskNote) => void;
}

export class SharedLink {
  readonly #raw: ByteLink;
  readonly #hooks: SharedLinkHooks;
  #session: SessionLink | null = null;
  bytes = 0;
  chunks = 0;
  discardedBytes = 0;

  constructor(raw: ByteLink, hooks: SharedLinkHooks) {
    this.#raw = raw;
    this.#hooks = hooks;
    raw.listen((chunk) => this.#take(chunk));
  }

  /** Ends the session before and gives the link to a new one. */
  share(): SessionLink {
    this.revoke();
    this.#session = new SessionLink(this.#raw, (bytes) => (this.discardedBytes += bytes), this.#hooks.onNote);
    return this.#session;
  }

  revoke(): void {
    this.#session?.revoke();
    this.#session = null;
  }

  #take(arrived: ByteChunk): void {
    const chunk = { data: arrived.data, atMs: wholeNanoseconds(arrived.atMs) };
    this.bytes += chunk.data.length;
    this.chunks += 1;
    const session = this.#session;
    if (session === null) {
      this.discardedBytes += chunk.data.length;
      this.#hooks.onSettling();
      return;
    }
    this.#hooks.onChunk(chunk);
    try {
      session.deliver(chunk);
    } catch (thrown) {
      this.#hooks.onThrown(thrown);
    }
  }
}

/** As a recording holds it: what is finer, as of the clock of a page, a replay could not know. */
function wholeNanoseconds(ms: number): number {
  return Math.round(ms * 1e6) / 1e6;
}

/** What a driver session gets for a link. */
export class SessionLink implements ByteLink {
  readonly label: string;
  readonly ended: Promise<LinkEnd>;
  readonly pause?: () => void;
  readonly resume?: () => void;
  readonly notes?: AskNotes;
  readonly #raw: ByteLink;
  readonly #onDiscarded: (bytes: number) => void;
  #listener: ((chunk: ByteChunk) => void) | null = null;
  #kept: ByteChunk[] = [];
  #keptBytes = 0;
  #isRevoked = false;
  #isPaused = false;
  #endSession: (end: LinkEnd) => void = () => {};

  constructor(raw: ByteLink, onDiscarded: (bytes: number) => void, onNote?: (note: AskNote) => void) {
    this.#raw = raw;
    this.#onDiscarded = onDiscarded;
    this.label = raw.label;
    const revoked = new Promise<LinkEnd>((resolve) => {
      this.#endSession = resolve;
    });
    this.ended = Promise.race([raw.ended, revoked]);
    const follow = raw.notes?.follow;
    if (onNote || follow) {
      this.notes = {
        write: (note) => {
          if (!this.#isRevoked) onNote?.(note);
        },
        ...(follow ? { follow: (listener: (note: AskNote) => void) => follow((note) => !this.#isRevoked && listener(note)) } : {}),
      };
    }
    if (raw.pause && raw.resume) {
      this.pause = () => this.#hold(true);
      this.resume = () => this.#hold(false);
    }
  }

  listen(listener: (chunk: ByteChunk) => void): void {
    if (this.#listener) throw new TorsiondError('INTERNAL', 'a link takes one listener; this one already has it', { where: this.label });
    this.#listener = listener;
    const kept = this.#kept;
    this.#kept = [];
    this.#keptBytes = 0;
    for (const chunk of kept) listener(chunk);
  }

  async write(data: Uint8Array): Promise<void> {
    if (this.#isRevoked) throw new TorsiondError('LINK_CLOSED', 'nothing can be written: the session has ended', { where: this.label });
    await this.#raw.write(data);
  }

  /** The link is the runner's to close; here it ends the session's use of it. */
  async close(): Promise<void> {
    this.revoke();
  }

  deliver(chunk: ByteChunk): void {
    if (this.#isRevoked) return this.#onDiscarded(chunk.data.length);
    if (this.#listener) return this.#listener(chunk);
    this.#kept.push(chunk);
    this.#keptBytes += chunk.data.length;
    while (this.#keptBytes > MAX_KEPT_BYTES && this.#kept.length > 1) {
      const oldest = this.#kept.shift()!;
      this.#keptBytes -= oldest.data.length;
      this.#onDiscarded(oldest.data.length);
    }
  }

  revoke(): void {
    if (this.#isRevoked) return;
    this.#isRevoked = true;
    this.#hold(false);
    this.#endSession({ reason: 'closed' });
  }

  #hold(isPaused: boolean): void {
    if (isPaused === this.#isPaused || (isPaused && this.#isRevoked)) return;
    this.#isPaused = isPaused;
    if (isPaused) this.#raw.pause?.();
    else this.#raw.resume?.();
  }
}
