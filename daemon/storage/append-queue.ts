/**
 * The bounded queue in front of the writer. A batch takes whatever waits (group commit);
 * after a fault it says so, refuses nothing that could succeed, and finds out by itself when the store works again.
 */
import type { Clock } from '../../shared/clock.ts';
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import { asTorsiondError, TorsiondError } from '../../shared/errors.ts';
import { misfit } from './fits.ts';
import { type NewRecord, newRecord, placed } from './records.ts';
import type { StoredReading, StoreStatus } from './store.ts';
import { revived } from './worker-messages.ts';
import type { WorkerThread } from './worker-thread.ts';

const MOST_PENDING = 10_000;
const MOST_PENDING_BYTES = 256 * 2 ** 20;
/** A batch holds up the first of it while the last is encoded (about 0.2 ms each), so it is kept short. */
const MOST_IN_BATCH = 64;
/** The second is handed over while the first is written, so that the writer never waits for this thread. */
const MOST_UNDER_WAY = 2;
const MOST_BATCH_BYTES = 16 * 2 ** 20;
/** What a reading takes beside its samples, about. */
const RECORD_BYTES = 4_096;
const FIRST_WAIT_MS = 1_000;
const LONGEST_WAIT_MS = 30_000;

interface Waiting {
  readonly reading: Reading;
  readonly record: NewRecord;
  readonly bytes: number;
  resolve(stored: StoredReading): void;
  reject(error: TorsiondError): void;
}

export interface AppendQueueOptions {
  readonly path: string;
  readonly clock: Clock;
  readonly maxPages: () => number | null;
  readonly log: (message: string) => void;
  /** A new writer; called after the one before died. */
  readonly startWriter: (onDeath: (error: TorsiondError) => void) => Promise<{ thread: WorkerThread; lastSeq: number }>;
}

export class AppendQueue {
  readonly #options: AppendQueueOptions;
  readonly #waiting: Waiting[] = [];
  readonly #listeners = new Set<(status: StoreStatus) => void>();
  #batchesUnderWay = 0;
  #readingsUnderWay = 0;
  #pendingBytes = 0;
  #writer: WorkerThread | null = null;
  #lastSeq = 0;
  #state: StoreStatus['state'] = 'ready';
  #since: number;
  #detail: string | null = null;
  #waitMs = FIRST_WAIT_MS;
  #cancelProbe: (() => void) | null = null;
  #probing: Promise<void> = Promise.resolve();
  #isClosed = false;
  #onIdle: (() => void) | null = null;

  constructor(options: AppendQueueOptions) {
    this.#options = options;
    this.#since = options.clock.wallMs();
  }

  /** @throws TorsiondError when the database cannot be opened */
  async open(): Promise<void> {
    const { thread, lastSeq } = await this.#options.startWriter((error) => this.#writerDied(error));
    this.#writer = thread;
    this.#lastSeq = Math.max(this.#lastSeq, lastSeq);
  }

  append(reading: Reading, trace: Trace): Promise<StoredReading> {
    let record: NewRecord;
    try {
      const defect = misfit(reading, trace);
      if (defect !== null) return Promise.reject(defect);
      record = newRecord(reading, trace);
    } catch (thrown) {
      return Promise.reject(asTorsiondError(thrown));
    }
    const bytes = trace.device.byteLength + (trace.status?.byteLength ?? 0) + RECORD_BYTES;
    if (this.#isClosed) return Promise.reject(new TorsiondError('STORE_FAILED', 'the store is closed', { where: this.#options.path }));
    if (this.#writer === null) return Promise.reject(new TorsiondError('STORE_FAILED', this.#detail ?? 'the store has no writer', { where: this.#options.path }));
    if (this.#pending >= MOST_PENDING || this.#pendingBytes + bytes > MOST_PENDING_BYTES) {
      return Promise.reject(new TorsiondError('LIMIT_REACHED', `${this.#pending} readings wait for the disk already; this one was not stored`, { where: this.#options.path }));
    }
    return new Promise((resolve, reject) => {
      this.#waiting.push({ reading, record, bytes, resolve, reject });
      this.#pendingBytes += bytes;
      this.#sendNext();
    });
  }

  /** For what is not queued: notes. */
  get writer(): WorkerThread {
    if (this.#writer !== null && !this.#isClosed) return this.#writer;
    throw new TorsiondError('STORE_FAILED', this.#isClosed ? 'the store is closed' : this.#detail ?? 'the store has no writer', { where: this.#options.path });
  }

  status(): StoreStatus {
    return { state: this.#state, since: this.#since, detail: this.#detail, pending: this.#pending, lastSeq: this.#lastSeq };
  }

  onStatus(listener: (status: StoreStatus) => void): () => void {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  /** Takes no more, stores what waits, ends the writer. */
  async close(): Promise<void> {
    if (this.#isClosed) return;
    this.#isClosed = true;
    this.#cancelProbe?.();
    await this.#probing;
    if (this.#pending > 0) await new Promise<void>((resolve) => { this.#onIdle = resolve; });
    const writer = this.#writer;
    this.#writer = null;
    await writer?.close();
    this.#listeners.clear();
  }

  get #pending(): number {
    return this.#waiting.length + this.#readingsUnderWay;
  }

  #sendNext(): void {
    const writer = this.#writer;
    if (writer === null || this.#waiting.length === 0 || this.#batchesUnderWay >= MOST_UNDER_WAY) return;
    let count = 0;
    for (let bytes = 0; count < Math.min(this.#waiting.length, MOST_IN_BATCH); count += 1) {
      bytes += this.#waiting[count]!.bytes;
      if (count > 0 && bytes > MOST_BATCH_BYTES) break;
    }
    const batch = this.#waiting.splice(0, count);
    this.#batchesUnderWay += 1;
    this.#readingsUnderWay += batch.length;
    const ask = {
      batch: batch.map((item) => item.record),
      storedMs: Math.round(this.#options.clock.wallMs()),
      maxPages: this.#options.maxPages(),
    };
    writer.request('append', ask).then(
      (outcomes) => {
        this.#finish(batch, () => batch.forEach((item, i) => {
          const outcome = outcomes[i]!;
          if ('error' in outcome) return item.reject(revived(outcome.error));
          const { seq, storedMs, hash } = outcome.stored;
          this.#lastSeq = Math.max(this.#lastSeq, seq);
          item.resolve({ reading: placed(item.reading, seq), storedAtMs: storedMs, hash });
        }));
        this.#waitMs = FIRST_WAIT_MS;
        this.#enter('ready', null);
      },
      (thrown: unknown) => {
        const error = asTorsiondError(thrown, 'STORE_FAILED');
        this.#finish(batch, () => batch.forEach((item) => item.reject(error)));
        this.#fault(error);
      },
    ).finally(() => {
      this.#sendNext();
      if (this.#pending === 0) this.#onIdle?.();
    });
  }

  #finish(batch: readonly Waiting[], answer: () => void): void {
    for (const item of batch) this.#pendingBytes -= item.bytes;
    this.#batchesUnderWay -= 1;
    this.#readingsUnderWay -= batch.length;
    answer();
  }

  #fault(error: TorsiondError): void {
    this.#enter(error.code === 'STORE_FULL' ? 'full' : 'failed', error.message);
    this.#probeLater();
  }

  #writerDied(error: TorsiondError): void {
    this.#writer = null;
    const stranded = this.#waiting.splice(0);
    for (const item of stranded) {
      this.#pendingBytes -= item.bytes;
      item.reject(error);
    }
    this.#fault(error);
  }

  #probeLater(): void {
    if (this.#cancelProbe !== null || this.#isClosed) return;
    this.#cancelProbe = this.#options.clock.after(this.#waitMs, () => {
      this.#cancelProbe = null;
      this.#probing = this.#probe().catch((thrown: unknown) => this.#options.log(`the store could not be tried: ${asTorsiondError(thrown).message}`));
    });
    this.#waitMs = Math.min(LONGEST_WAIT_MS, this.#waitMs * 2);
  }

  /** Back to ready only after a commit reached the disk. The wait grows on until a reading was stored. */
  async #probe(): Promise<void> {
    if (this.#isClosed || this.#state === 'ready') return;
    try {
      if (this.#writer === null) await this.open();
      await this.#writer!.request('probe', { maxPages: this.#options.maxPages() });
      this.#enter('ready', null);
    } catch (thrown) {
      this.#fault(asTorsiondError(thrown, 'STORE_FAILED'));
    }
  }

  #enter(state: StoreStatus['state'], detail: string | null): void {
    this.#detail = detail;
    if (state === 'ready') {
      this.#cancelProbe?.();
      this.#cancelProbe = null;
    }
    if (state === this.#state) return;
    this.#state = state;
    this.#since = this.#options.clock.wallMs();
    this.#options.log(state === 'ready' ? 'readings are stored again' : `readings are not stored, ${state}: ${detail}`);
    const status = this.status();
    for (const listener of this.#listeners) {
      try {
        listener(status);
      } catch (thrown) {
        this.#options.log(`a listener to the store's status failed: ${asTorsiondError(thrown).message}`);
      }
    }
  }
}
