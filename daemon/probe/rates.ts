/** How often something ended, from where it ended and when bytes arrived. Pure. */
import { nominalRate } from '../pipeline/nominal-rate.ts';
import type { HeardBytes } from './heard.ts';

const ENDS_MIN = 5;
const SPAN_MS = 500;
/** Fewer do not tell a rate to 3 %. */
const ROUND_MIN = 30;

export interface MeasuredRate {
  readonly hz: number;
  readonly count: number;
}

/** What ended after the first arrival, over the time until the last one: what waited before does not count. */
export function endRate({ arrivals }: HeardBytes, ends: readonly number[]): MeasuredRate | null {
  const [first, second] = arrivals;
  // Only as far as was looked at.
  const lastEnd = ends.at(-1) ?? 0;
  const last = [...arrivals].reverse().find((arrival) => arrival.at < lastEnd);
  if (!first || !second || !last) return null;
  const spanMs = last.atMs - first.atMs;
  const count = ends.filter((end) => end > second.at).length;
  return spanMs < SPAN_MS || count < ENDS_MIN ? null : { hz: (count * 1_000) / spanMs, count };
}

/**
 * Where the span begins and ends within a line is not known, so the true rate lies within one line more or less.
 * One digit, or 12, 16, 25, 125, and noughts: what a maker writes into a data sheet.
 */
export function roundRate({ hz, count }: MeasuredRate): number | null {
  if (count < ROUND_MIN) return null;
  return [hz, (hz * (count + 1)) / count, (hz * (count - 1)) / count].map(nominalRate).find(isRound) ?? null;
}

function isRound(rate: number): boolean {
  const digits = rate.toPrecision(3).replace(/e.*$/, '').replace('.', '').replace(/^0+|0+$/g, '');
  return digits.length === 1 || ['12', '25', '16', '125'].includes(digits);
}
