/** A store that answers when the test says so, and refuses when the test says so. Numbers are given in the order of handing over. */
import type { ChainReport, ReadingStore, StoredReading, StoreStatus } from '../../daemon/storage/store.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';

interface Asked {
  readonly stored: StoredReading;
  readonly resolve: (stored: StoredReading) => void;
}

export class HeldStore implements ReadingStore {
  readonly kept: StoredReading[] = [];
  readonly traces = new Map<string, Trace>();
  /** Committed and not yet acknowledged. */
  readonly unanswered: Asked[] = [];
  isAnsweringAtOnce = true;
  /** Times that a reading was handed over. */
  asked = 0;
  #refusal: TorsiondError | null = null;
  #state: StoreStatus['state'] = 'ready';
  readonly #listeners = new Set<(status: StoreStatus) => void>();
  readonly #firstSeq: number;

  constructor(firstSeq = 1) {
    this.#firstSeq = firstSeq;
  }

  append(reading: Reading, trace: Trace): Promise<StoredReading> {
    this.asked++;
    if (this.#refusal) return Promise.reject(this.#refusal);
    const known = this.kept.find((other) => other.reading.id === reading.id);
    const seq = this.#firstSeq + this.kept.length;
    const stored = known ?? { reading: { ...reading, seq }, storedAtMs: seq, hash: '' };
    if (!known) this.kept.push(stored);
    this.traces.set(reading.id, trace);
    if (this.isAnsweringAtOnce) return Promise.resolve(stored);
    return new Promise((resolve) => this.unanswered.push({ stored, resolve }));
  }

  /** Acknowledges what waits, in this order of places in `unanswered`. */
  answer(order: readonly number[] = this.unanswered.map((_, i) => i)): void {
    const waiting = this.unanswered.splice(0);
    for (const place of order) waiting[place]!.resolve(waiting[place]!.stored);
  }

  /** From now on nothing is stored; null: it is again. */
  refuse(error: TorsiondError | null): void {
    this.#refusal = error;
    this.#state = error === null ? 'ready' : error.code === 'STORE_FULL' ? 'full' : 'failed';
    for (const listener of this.#listeners) listener(this.status());
  }

  /** Refuses without saying so beforehand, as a writer that died does. */
  failSilently(error: TorsiondError | null): void {
    this.#refusal = error;
  }

  status(): StoreStatus {
    return { state: this.#state, since: 0, detail: this.#refusal?.message ?? null, pending: this.unanswered.length, lastSeq: this.#firstSeq - 1 + this.kept.length };
  }

  onStatus(listener: (status: StoreStatus) => void): () => void {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  get listeners(): number {
    return this.#listeners.size;
  }

  readings(): Promise<readonly StoredReading[]> {
    return Promise.resolve(this.kept);
  }

  reading(id: string): Promise<StoredReading | null> {
    return Promise.resolve(this.kept.find((stored) => stored.reading.id === id) ?? null);
  }

  trace(id: string): Promise<Trace | null> {
    return Promise.resolve(this.traces.get(id) ?? null);
  }

  audit(): Promise<ChainReport> {
    return Promise.reject(new Error('not kept here'));
  }

  close(): Promise<void> {
    return Promise.resolve();
  }
}
