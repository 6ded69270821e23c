import type { Clock } from '../../shared/clock.ts';

/** Waits for a promise, whatever becomes of it, at most so long. Never rejects. @returns whether it settled in time */
export function within(promise: Promise<unknown>, limitMs: number, clock: Clock): Promise<boolean> {
  return new Promise((resolve) => {
    const cancel = clock.after(limitMs, () => resolve(false));
    const settled = (): void => {
      cancel();
      resolve(true);
    };
    promise.then(settled, settled);
  });
}
