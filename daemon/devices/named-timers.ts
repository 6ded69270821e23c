/** One timer for each name: starting it again takes the place of the one before. */
import type { Clock } from '../../shared/clock.ts';

export class NamedTimers<Name extends string> {
  readonly #clock: Clock;
  readonly #cancels = new Map<Name, () => void>();

  constructor(clock: Clock) {
    this.#clock = clock;
  }

  /** @param fire gets the monotonic time at which it was due, ms */
  start(name: Name, afterMs: number, fire: (dueMs: number) => void): void {
    this.cancel(name);
    const dueMs = this.#clock.monoMs() + afterMs;
    this.#cancels.set(name, this.#clock.after(afterMs, () => {
      this.#cancels.delete(name);
      fire(dueMs);
    }));
  }

  cancel(name: Name): void {
    this.#cancels.get(name)?.();
    this.#cancels.delete(name);
  }
}
