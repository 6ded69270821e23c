/**
 * Hands readings to the store and announces each after its commit, in order of seq and without a hole. While the
 * store refuses, readings wait here, are told as not stored, and are tried again.
 */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import type { GatewayEvent } from '../../shared/wire/events.ts';
import type { ReadingStore, StoredReading } from '../storage/store.ts';

interface Kept {
  /** Counts captures: what was captured first is stored first, however often the store refuses. */
  readonly order: number;
  readonly reading: Reading;
  readonly trace: Trace;
  isToldNotStored: boolean;
}

export interface ReadingKeeperDeps {
  readonly store: ReadingStore;
  readonly clock: Clock;
  readonly announce: (event: GatewayEvent) => void;
}

/** Given to the store and not yet acknowledged. */
const MAX_IN_FLIGHT = 512;
/** Waiting for a store that refuses. Beyond it the newest is lost, told and counted. */
const MAX_WAITING = 10_000;
const RETRY_MS = 1_000;

export class ReadingKeeper {
  readonly #deps: ReadingKeeperDeps;
  readonly #waiting: Kept[] = [];
  readonly #stored = new Map<number, StoredReading>();
  readonly #stopWatching: () => void;
  #inFlight = 0;
  #lastAnnounced: number;
  #cancelRetry: (() => void) | null = null;
  /** Why the store took nothing at the last attempt; null while it does. */
  #refusal: TorsiondError | null = null;
  /** Drained: what comes back from the store after that is left alone. */
  #isOver = false;
  #captured = 0;
  #lost = 0;
  #idle: (() => void)[] = [];

  constructor(deps: ReadingKeeperDeps) {
    this.#deps = deps;
    this.#lastAnnounced = deps.store.status().lastSeq;
    this.#stopWatching = deps.store.onStatus((status) => {
      deps.announce({ type: 'store.state', at: this.#now(), state: status.state, detail: status.detail });
      if (status.state === 'ready') this.#retryNow();
    });
  }

  get waiting(): number {
    return this.#waiting.length + this.#inFlight;
  }

  get lost(): number {
    return this.#lost;
  }

  keep(reading: Reading, trace: Trace): void {
    this.#deps.announce({ type: 'reading.captured', at: this.#now(), reading });
    const kept: Kept = { order: this.#captured++, reading, trace, isToldNotStored: false };
    if (this.#waiting.length >= MAX_WAITING) {
      this.#lost++;
      this.#tellNotStored(kept, new TorsiondError('LIMIT_REACHED', `${MAX_WAITING} readings wait for the store already; this one is lost`));
      return;
    }
    this.#waiting.push(kept);
    if (this.#refusal) this.#tellNotStored(kept, this.#refusal);
    this.#send();
  }

  /** Resolves when nothing waits any more, or when the time is up. @returns how many readings were left */
  async drain(limitMs: number): Promise<number> {
    let cancel = (): void => undefined;
    const timeUp = new Promise<void>((resolve) => {
      cancel = this.#deps.clock.after(limitMs, resolve);
    });
    const idle = new Promise<void>((resolve) => {
      this.#idle.push(resolve);
      this.#tellIdle();
    });
    await Promise.race([idle, timeUp]);
    this.#isOver = true;
    cancel();
    this.#cancelRetry?.();
    this.#stopWatching();
    return this.waiting;
  }

  #send(): void {
    while (!this.#isOver && this.#refusal === null && this.#waiting.length > 0 && this.#inFlight < MAX_IN_FLIGHT) {
      const kept = this.#waiting.shift()!;
      this.#inFlight++;
      this.#deps.store.append(kept.reading, kept.trace).then(
        (stored) => this.#committed(stored),
        (thrown: unknown) => this.#refused(kept, asTorsiondError(thrown, 'STORE_FAILED')),
      );
    }
  }

  #committed(stored: StoredReading): void {
    this.#inFlight--;
    // A reading that was handed over twice comes back with the place that was announced already.
    if (stored.reading.seq! > this.#lastAnnounced) this.#stored.set(stored.reading.seq!, stored);
    for (;;) {
      const next = this.#stored.get(this.#lastAnnounced + 1);
      if (!next) break;
      this.#stored.delete(++this.#lastAnnounced);
      this.#deps.announce({ type: 'reading.stored', at: this.#now(), seq: this.#lastAnnounced, reading: next.reading });
    }
    this.#send();
    this.#tellIdle();
  }

  #refused(kept: Kept, fault: TorsiondError): void {
    this.#inFlight--;
    if (fault.facts.retry === 'never') {
      // It is this reading that does not fit, and trying again would hold up the others.
      this.#lost++;
      this.#tellNotStored(kept, fault);
      this.#send();
      return this.#tellIdle();
    }
    const later = this.#waiting.findIndex((other) => other.order > kept.order);
    this.#waiting.splice(later < 0 ? this.#waiting.length : later, 0, kept);
    this.#refusal = fault;
    for (const waiting of this.#waiting) this.#tellNotStored(waiting, fault);
    if (!this.#isOver) this.#cancelRetry ??= this.#deps.clock.after(RETRY_MS, () => this.#retryNow());
  }

  #retryNow(): void {
    this.#cancelRetry?.();
    this.#cancelRetry = null;
    this.#refusal = null;
    this.#send();
  }

  /** Once per reading. */
  #tellNotStored(kept: Kept, fault: TorsiondError): void {
    if (kept.isToldNotStored) return;
    kept.isToldNotStored = true;
    this.#deps.announce({ type: 'reading.not-stored', at: this.#now(), reading: kept.reading, fault: fault.toJSON() });
  }

  #tellIdle(): void {
    if (this.waiting > 0) return;
    for (const resolve of this.#idle.splice(0)) resolve();
  }

  #now(): string {
    return new Date(this.#deps.clock.wallMs()).toISOString();
  }
}
