/**
 * Time, injected everywhere so that tests and replays own it. Two clocks: the monotonic one orders and spaces,
 * the wall clock is for people. Both in milliseconds as doubles (sub-microsecond for decades).
 */
export interface Clock {
  /** Milliseconds since an arbitrary origin; never goes back. */
  monoMs(): number;
  /** Milliseconds since 1970-01-01T00:00:00Z; may jump. */
  wallMs(): number;
  /** Calls back after the delay unless cancelled by the returned function. */
  after(delayMs: number, callback: () => void): () => void;
}

export const systemClock: Clock = {
  monoMs: () => performance.now(),
  wallMs: () => Date.now(),
  after: (delayMs, callback) => {
    const timer = setTimeout(callback, delayMs);
    return () => clearTimeout(timer);
  },
};
