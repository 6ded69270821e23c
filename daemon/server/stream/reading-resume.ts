import type { Clock } from '../../../shared/clock.ts';
import { asTorsiondError, TorsiondError } from '../../../shared/errors.ts';
import type { ReadingStore, StoredReading } from '../../storage/store.ts';

/** Readings fetched from the store at a time: about 70 kB on the wire. */
export const RESUME_PAGE = 100;
const RETRY_MS = 1_000;
const MAX_FAILURES = 5;

export interface ResumeContext {
  readonly store: Pick<ReadingStore, 'readings'>;
  readonly clock: Clock;
  /** The highest sequence number that was announced to anybody. */
  readonly announcedSeq: () => number;
  readonly hasRoom: () => boolean;
  readonly send: (stored: StoredReading) => void;
  /** Called when a catch-up begins. */
  readonly onCatchUp: () => void;
  /** The store failed again and again; nothing more comes from here. */
  readonly onFailed: (error: TorsiondError) => void;
}

/**
 * Brings one client every stored reading after a sequence number, in order, each once: from the store while it is
 * behind, from the announcements once it is not. A client that is slow falls behind and catches up from the store, so
 * that no reading waits in memory for it.
 */
export class ReadingResume {
  readonly #context: ResumeContext;
  #cursor: number;
  #isCatchingUp = false;
  #isStopped = false;
  #wake: (() => void) | null = null;
  #cancelTimer: (() => void) | null = null;

  /** @param cursor last sequence number the client has */
  constructor(cursor: number, context: ResumeContext) {
    this.#cursor = cursor;
    this.#context = context;
  }

  get cursor(): number {
    return this.#cursor;
  }

  /** Catches up, if the client is behind. */
  start(): void {
    if (this.#context.announcedSeq() > this.#cursor) this.#catchUp();
  }

  /** A reading was announced; `sendNow` is called when the client is to get it straight away. */
  announced(seq: number, sendNow: () => void): void {
    // The catch-up looks at `announcedSeq` before it ends, so it will find this one.
    if (this.#isStopped || this.#isCatchingUp || seq <= this.#cursor) return;
    if (seq === this.#cursor + 1 && this.#context.hasRoom()) {
      this.#cursor = seq;
      sendNow();
    } else {
      this.#catchUp();
    }
  }

  /** The client reads again. */
  roomAgain(): void {
    this.#wake?.();
  }

  stop(): void {
    this.#isStopped = true;
    this.#cancelTimer?.();
    this.#wake?.();
  }

  #catchUp(): void {
    if (this.#isCatchingUp || this.#isStopped) return;
    this.#isCatchingUp = true;
    this.#context.onCatchUp();
    void this.#run();
  }

  async #run(): Promise<void> {
    for (let failures = 0; !this.#isStopped;) {
      if (!this.#context.hasRoom()) {
        await this.#woken();
        continue;
      }
      try {
        await this.#page();
        failures = 0;
      } catch (thrown) {
        failures += 1;
        if (failures >= MAX_FAILURES) {
          if (!this.#isStopped) this.#context.onFailed(asTorsiondError(thrown, 'STORE_FAILED'));
          return;
        }
        await this.#woken(RETRY_MS);
      }
      // Nothing may come between this look and the end of the catch-up: both are in one turn.
      if (failures === 0 && this.#context.announcedSeq() <= this.#cursor) break;
    }
    this.#isCatchingUp = false;
  }

  async #page(): Promise<void> {
    const page = await this.#context.store.readings({ afterSeq: this.#cursor, limit: RESUME_PAGE, order: 'oldest' });
    if (this.#isStopped) return;
    if (page.length === 0 && this.#context.announcedSeq() > this.#cursor) {
      throw new TorsiondError('STORE_FAILED', `the store holds nothing after ${this.#cursor}, but ${this.#context.announcedSeq()} was announced`);
    }
    for (const stored of page) {
      this.#context.send(stored);
      this.#cursor = stored.reading.seq ?? this.#cursor;
    }
  }

  #woken(limitMs?: number): Promise<void> {
    return new Promise((resolve) => {
      this.#wake = () => {
        this.#wake = null;
        this.#cancelTimer?.();
        this.#cancelTimer = null;
        resolve();
      };
      if (limitMs !== undefined) this.#cancelTimer = this.#context.clock.after(limitMs, () => this.#wake?.());
    });
  }
}
