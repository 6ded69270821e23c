import { randomInt } from 'node:crypto';

const STEPS = 2 ** 32;

/** 0 to below 1. Spreads waits, so that instruments lost together do not come back all at once; nothing measured depends on it. */
export function jitter(): number {
  return randomInt(STEPS) / STEPS;
}
