import { systemClock } from '../../shared/clock.ts';

/** A numbered promise and its check. Clauses need no test runner: whoever runs them decides how to report. */
export interface Clause {
  /** Permanent, for example `L6`. */
  readonly id: string;
  readonly text: string;
  /** Rejects when the promise is broken. */
  check(): Promise<void>;
}

/** Waits for a condition. @throws Error that says what was awaited in vain */
export async function eventually(condition: () => boolean, what: string, limitMs = 5_000): Promise<void> {
  const end = systemClock.monoMs() + limitMs;
  while (!condition()) {
    if (systemClock.monoMs() > end) throw new Error(`waited ${limitMs} ms in vain for: ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 1));
  }
}
