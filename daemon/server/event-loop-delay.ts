import { monitorEventLoopDelay } from 'node:perf_hooks';
import type { Clock } from '../../shared/clock.ts';

const WINDOW_MS = 10_000;
const RESOLUTION_MS = 20;

/** Measures how late the event loop is: the 99th percentile over the last ten to twenty seconds, ms. */
export function watchEventLoop(clock: Clock): { delayMs: () => number; stop: () => void } {
  const histogram = monitorEventLoopDelay({ resolution: RESOLUTION_MS });
  histogram.enable();
  let before = 0;
  // The histogram counts the whole wait between two of its ticks; the wait that was meant is not delay.
  const now = (): number => (histogram.count === 0 ? 0 : Math.max(0, histogram.percentile(99) / 1e6 - RESOLUTION_MS));
  let cancel = clock.after(WINDOW_MS, turn);
  function turn(): void {
    before = now();
    histogram.reset();
    cancel = clock.after(WINDOW_MS, turn);
  }
  return {
    delayMs: () => Math.round(Math.max(before, now()) * 10) / 10,
    stop: () => {
      cancel();
      histogram.disable();
    },
  };
}
