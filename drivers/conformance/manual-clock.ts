import type { Clock } from '../../shared/clock.ts';

/** A clock that stands still until told. `advance` runs what falls due, in order. */
export class ManualClock implements Clock {
  #now: number;
  #wallOffset: number;
  #timers: { at: number; order: number; callback: () => void }[] = [];
  #order = 0;

  constructor(startMs = 1_000, wallMs = Date.UTC(2026, 10, 25, 8)) {
    this.#now = startMs;
    this.#wallOffset = wallMs - startMs;
  }

  monoMs(): number {
    return this.#now;
  }

  wallMs(): number {
    return this.#now + this.#wallOffset;
  }

  /** The wall clock jumps; the monotonic one does not. */
  jumpWall(byMs: number): void {
    this.#wallOffset += byMs;
  }

  after(delayMs: number, callback: () => void): () => void {
    const timer = { at: this.#now + Math.max(0, delayMs), order: this.#order++, callback };
    this.#timers.push(timer);
    return () => {
      this.#timers = this.#timers.filter((other) => other !== timer);
    };
  }

  get pendingTimers(): number {
    return this.#timers.length;
  }

  /** Time passes while the process sleeps: what fell due meanwhile runs at its end, late. */
  sleep(byMs: number): void {
    this.#now += byMs;
    this.advance(0);
  }

  advance(byMs: number): void {
    const end = this.#now + byMs;
    for (;;) {
      const due = this.#timers.filter((timer) => timer.at <= end).sort((a, b) => a.at - b.at || a.order - b.order)[0];
      if (!due) break;
      this.#timers = this.#timers.filter((timer) => timer !== due);
      this.#now = Math.max(this.#now, due.at);
      due.callback();
    }
    this.#now = end;
  }
}
