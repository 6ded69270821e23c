/** One line of `npm run bench`: a ratio of two figures measured in the same run. */
export interface BenchLine {
  readonly name: string;
  readonly ratio: number;
  /** The line fails below this. */
  readonly atLeast?: number;
  /** The line fails above this. */
  readonly atMost?: number;
  /** The figures behind the ratio, with their units. */
  readonly detail: string;
}

export function isMet({ ratio, atLeast, atMost }: BenchLine): boolean {
  return Number.isFinite(ratio) && ratio >= (atLeast ?? -Infinity) && ratio <= (atMost ?? Infinity);
}
