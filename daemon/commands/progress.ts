/** A bar on standard error for long work; only on a terminal. */
import type { CommandContext } from './context.ts';

const WIDTH = 24;
const EVERY_MS = 100;

export interface Progress {
  /** @param share 0 to 1 */
  show(share: number): void;
  /** Where the whole is not known. @param bytes done so far */
  amount(bytes: number): void;
  /** Takes the bar away. */
  clear(): void;
}

export const NO_PROGRESS: Progress = { show: () => {}, amount: () => {}, clear: () => {} };

/** @param afterMs quick work shows no bar */
export function createProgress(context: CommandContext, what: string, afterMs = 0): Progress {
  if (!context.isTerminal.err) return NO_PROGRESS;
  let shownAtMs = -Infinity;
  let isVisible = false;
  const beganAtMs = context.clock.monoMs();
  const isDue = (): boolean => {
    const nowMs = context.clock.monoMs();
    if (nowMs - beganAtMs < afterMs || nowMs - shownAtMs < EVERY_MS) return false;
    shownAtMs = nowMs;
    isVisible = true;
    return true;
  };
  return {
    amount: (bytes) => {
      if (!isDue()) return;
      const seconds = Math.max(0.001, (shownAtMs - beganAtMs) / 1_000);
      context.status(`\r${what} ${(bytes / 1e6).toFixed(1)} MB, ${(bytes / 1e6 / seconds).toFixed(1)} MB/s`);
    },
    show: (share) => {
      if (!isDue()) return;
      const full = Math.round(Math.min(1, Math.max(0, share)) * WIDTH);
      context.status(`\r${what} ${'■'.repeat(full)}${'·'.repeat(WIDTH - full)} ${String(Math.round(share * 100)).padStart(3)} %`);
    },
    clear: () => {
      if (isVisible) context.status('\r\u001b[K');
      isVisible = false;
    },
  };
}
