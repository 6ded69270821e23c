/** Curves that look like pulls, for the page alone. They stand for nothing measured and prove nothing about capture. */

import type { PulseReading } from '../../../shared/reading.ts';

/** mulberry32: small, seeded, good enough for noise on a picture. */
export function seeded(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4_294_967_296;
  };
}

export interface Pull {
  readonly rateHz: number;
  /** Signed, channel's unit. */
  readonly torque: readonly number[];
  readonly cycleAt: number;
  readonly value: number;
  readonly maximum: number;
  readonly durationMs: number;
}

/** A click at `click`, free travel, then on to `beyond`, then let go. Magnitudes; `side` -1 turns it. */
export function clickPull(click: number, beyond: number, side: 1 | -1, random: () => number): Pull {
  return shape(1_000, side, random, click * 0.0008, [[250, 0], [900, click], [14, click * 0.87], [45, click * 0.88], [380, beyond], [70, beyond * 0.99], [160, 0], [200, 0]], 'first');
}

/** Rises to `top` and falls at once, as a slipping driver does. */
export function slipPull(top: number, side: 1 | -1, random: () => number): Pull {
  return shape(1_000, side, random, top * 0.001, [[200, 0], [700, top], [25, top * 0.62], [220, top * 0.66], [120, 0], [200, 0]], 'top');
}

function shape(rateHz: number, side: 1 | -1, random: () => number, noise: number, legs: readonly (readonly [number, number])[], take: 'first' | 'top'): Pull {
  const torque: number[] = [];
  let from = 0;
  let firstPeakEnd = 0;
  legs.forEach(([ms, to], leg) => {
    const count = Math.round((ms / 1_000) * rateHz);
    for (let i = 1; i <= count; i++) {
      const share = i / count;
      const eased = leg === 1 ? share ** 1.25 : share;
      torque.push(side * (from + (to - from) * eased + (random() + random() - 1) * noise));
    }
    if (leg === 1) firstPeakEnd = torque.length;
    from = to;
  });
  const highest = (end: number): number => torque.slice(0, end).reduce((most, value) => (Math.abs(value) > Math.abs(most) ? value : most), 0);
  const maximum = highest(torque.length);
  return { rateHz, torque, cycleAt: Math.round((legs[0]![0] / 1_000) * rateHz), value: take === 'first' ? highest(firstPeakEnd) : maximum, maximum, durationMs: torque.length - 450 };
}

/** A run-down of an impulse tool: half sines, each a bit higher until the joint is tight. */
export function pulseRun(count: number, top: number, random: () => number): Pull & { readonly pulse: PulseReading } {
  const rateHz = 5_000;
  const heights = Array.from({ length: count }, (_, i) => top * (1 - 0.5 * Math.exp(-i / (count / 4))) * (1 + 0.01 * (random() - 0.5)));
  const rest = new Array<number>(rateHz / 5).fill(0);
  const torque = [...rest, ...heights.flatMap((height) => Array.from({ length: 250 }, (_, i) => (i < 30 ? height * Math.sin((Math.PI * i) / 30) : 0) + (random() - 0.5) * 0.05)), ...rest];
  const lasts = heights.slice(-5);
  const highest = Math.max(...heights);
  const durationMs = (count - 1) * 50;
  return {
    rateHz, torque, cycleAt: rest.length, value: highest, maximum: highest, durationMs: durationMs + 300,
    pulse: { count, highest, last: heights.at(-1)!, meanOfLast: lasts.reduce((sum, height) => sum + height, 0) / lasts.length, meanOf: lasts.length, durationMs },
  };
}
