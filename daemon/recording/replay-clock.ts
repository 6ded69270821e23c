/** Time as the recording tells it: it stands still between chunks, and timers fire when recorded time passes them. */
import type { Clock } from '../../shared/clock.ts';

interface Timer {
  readonly dueMs: number;
  readonly callback: () => void;
}

export class ReplayClock implements Clock {
  #nowMs: number;
  readonly #wallOffsetMs: number;
  #timers: Timer[] = [];

  /** @param startMonoMs and `startWallMs` are one moment on both clocks, ms */
  constructor(startMonoMs: number, startWallMs: number) {
    this.#nowMs = startMonoMs;
    this.#wallOffsetMs = startWallMs - startMonoMs;
  }

  monoMs(): number {
    return this.#nowMs;
  }

  wallMs(): number {
    return this.toWallMs(this.#nowMs);
  }

  toWallMs(monoMs: number): number {
    return monoMs + this.#wallOffsetMs;
  }

  after(delayMs: number, callback: () => void): () => void {
    const timer = { dueMs: this.#nowMs + Math.max(0, delayMs), callback };
    this.#timers.push(timer);
    return () => {
      this.#timers = this.#timers.filter((other) => other !== timer);
    };
  }

  /** Recorded time goes on to `monoMs`; what falls due on the way is called, in order. */
  advanceTo(monoMs: number): void {
    while (this.#timers.length > 0) {
      const due = this.#timers.filter((timer) => timer.dueMs <= monoMs).sort((a, b) => a.dueMs - b.dueMs)[0];
      if (!due) break;
      this.#timers = this.#timers.filter((timer) => timer !== due);
      this.#nowMs = Math.max(this.#nowMs, due.dueMs);
      due.callback();
    }
    this.#nowMs = Math.max(this.#nowMs, monoMs);
  }
}
