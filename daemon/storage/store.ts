/** What the rest of the daemon knows of the store. */
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';

export interface StoredReading {
  /** With `seq` set. */
  readonly reading: Reading;
  /** When it was committed, ms since 1970. */
  readonly storedAtMs: number;
  /** Hash of this record, over its content and the hash of the record before; hex. */
  readonly hash: string;
}

export interface ReadingQuery {
  /** Only readings with a greater sequence number. Default 0. */
  readonly afterSeq?: number;
  /** Only readings that began at or after, ISO 8601. */
  readonly since?: string;
  readonly channel?: string;
  /** At most; 1 to 1000, default 200. */
  readonly limit?: number;
  /** `oldest` first (default) or `newest`. */
  readonly order?: 'oldest' | 'newest';
}

export interface ChainReport {
  readonly records: number;
  readonly lastSeq: number;
  /** Hash of the last record, hex; 64 zeros when empty. */
  readonly head: string;
  /** Empty when all is well. */
  readonly faults: readonly { readonly seq: number; readonly what: string }[];
}

export interface StoreStatus {
  readonly state: 'ready' | 'full' | 'failed';
  readonly since: number;
  readonly detail: string | null;
  /** Readings handed over and not yet committed. */
  readonly pending: number;
  readonly lastSeq: number;
}

/**
 * Append-only. `append` resolves after the commit (synchronous=FULL): a resolved reading is in the file.
 * @throws TorsiondError of the STORE_ area
 */
export interface ReadingStore {
  append(reading: Reading, trace: Trace): Promise<StoredReading>;
  readings(query: ReadingQuery): Promise<readonly StoredReading[]>;
  reading(id: string): Promise<StoredReading | null>;
  trace(readingId: string): Promise<Trace | null>;
  /** Checks the record chain; calls back with the share done, 0 to 1. */
  audit(progress?: (share: number) => void): Promise<ChainReport>;
  status(): StoreStatus;
  /** Called when the status changes. Returns the way to stop. */
  onStatus(listener: (status: StoreStatus) => void): () => void;
  close(): Promise<void>;
}
