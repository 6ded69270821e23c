/** A bar on standard error for long work; only on a terminal. */
import type { CommandContext } from './context.ts';

const WIDTH = 24;
const EVERY_MS = 100;

export interface Progress {
  /** @param share 0 to 1 */
  show(share: number): void;
  /** Takes the bar away. */
  clear(): void;
}

export const NO_PROGRESS: Progress = { show: () => {}, clear: () => {} };

export function createProgress(context: CommandContext, what: string): Progress {
  if (!context.isTerminal.err) return NO_PROGRESS;
  let shownAtMs = -Infinity;
  return {
    show: (share) => {
      const nowMs = context.clock.monoMs();
      if (nowMs - shownAtMs < EVERY_MS) return;
      shownAtMs = nowMs;
      const full = Math.round(Math.min(1, Math.max(0, share)) * WIDTH);
      context.status(`\r${what} ${'■'.repeat(full)}${'·'.repeat(WIDTH - full)} ${String(Math.round(share * 100)).padStart(3)} %`);
    },
    clear: () => {
      if (shownAtMs > -Infinity) context.status('\r\u001b[K');
    },
  };
}
