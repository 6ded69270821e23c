/** How long to wait before the next attempt. Pure. */
export interface BackOffOptions {
  /** Longest wait before the second attempt, ms. */
  readonly firstMs: number;
  /** Longest wait ever, ms. */
  readonly longestMs: number;
}

/**
 * Doubles with every failed attempt up to `longestMs`, then draws from its upper half, so that many clients of one
 * gateway do not come back together.
 *
 * @param failures attempts that failed in a row, at least 1
 * @param random a draw from [0, 1)
 */
export function backOffMs(failures: number, random: number, options: BackOffOptions): number {
  const ceiling = Math.min(options.longestMs, options.firstMs * 2 ** Math.min(30, failures - 1));
  return ceiling * (0.5 + 0.5 * random);
}
