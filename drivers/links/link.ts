/** Bytes: a channel to a device. Links know nothing about frames or meaning. */
import type { Clock } from '../../shared/clock.ts';
import type { ErrorCode, TorsiondError } from '../../shared/errors.ts';

/** Bytes that arrived together. `data` is the listener's to keep. */
export interface ByteChunk {
  readonly data: Uint8Array;
  /** Monotonic arrival time, ms; taken at the read, never goes back on one link. */
  readonly atMs: number;
}

/**
 * What a driver that asks did beside the bytes, in the order in which it did it. A recording holds these notes, because
 * bytes alone do not say which question they answer. `atMs`: monotonic.
 */
export type AskNote =
  /** `step`: which question of a poll; null: something else, a command or the question who is there. */
  | { readonly kind: 'asked'; readonly atMs: number; readonly step: number | null; readonly bytes: Uint8Array }
  /** The last question ended without a usable answer. */
  | { readonly kind: 'failed'; readonly atMs: number; readonly code: ErrorCode; readonly message: string }
  /** So many polls were never asked. */
  | { readonly kind: 'missed'; readonly atMs: number; readonly rounds: number }
  /** This question of a poll was left out. */
  | { readonly kind: 'rested'; readonly atMs: number; readonly step: number };

export interface AskNotes {
  write(note: AskNote): void;
  /** Only where the bytes are a recording: nothing can be asked, and what was done then comes here at its time. */
  readonly follow?: (listener: (note: AskNote) => void) => void;
}

export type LinkEnd =
  | { readonly reason: 'closed' }
  | { readonly reason: 'finished' }
  | { readonly reason: 'lost'; readonly error: TorsiondError };

/**
 * An open byte channel. Single use: once ended it is never opened again; the factory makes a new one.
 *
 * Promises: bytes that arrive before the first listener are kept (bounded) and handed to it; no chunk comes after
 * `ended`; a loss is always noticed, also without an event of the operating system.
 */
export interface ByteLink {
  /** What a person recognises it by, for example the port's stable name. */
  readonly label: string;
  /** One listener; a second call is a programming error and throws. */
  listen(listener: (chunk: ByteChunk) => void): void;
  /** Stops or resumes reading, so that a slow reader holds back the sender instead of filling memory. */
  pause?(): void;
  resume?(): void;
  /**
   * Resolves when the bytes have left for the device. Never queues into the void:
   * @throws TorsiondError LINK_CLOSED after the end, LINK_WRITE_TIMEOUT when the device does not take them.
   */
  write(data: Uint8Array): Promise<void>;
  /** Disturbances of the line that the link got over by itself, for example stalls that it cleared; only grows. Left out: none are seen. */
  disturbances?(): number;
  /** Where drivers that ask write down what they do, when somebody wants to know. */
  readonly notes?: AskNotes;
  /** Resolves exactly once, never rejects. `finished` is a recording that came to its end. */
  readonly ended: Promise<LinkEnd>;
  /** Idempotent; resolves when the operating system has let go of the port. */
  close(): Promise<void>;
}

export interface LinkContext {
  readonly clock: Clock;
  /** Aborting while `openLink` works leaves nothing open. */
  readonly signal: AbortSignal;
}

/** Opens a link. @throws TorsiondError of the LINK_ area, nothing else. */
export type OpenLink = (context: LinkContext) => Promise<ByteLink>;
