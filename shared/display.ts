/** To how many decimals torque is shown, where people read it. Pure. */

/** Decimals that show a step of that size and no finer. */
export function decimalsFor(step: number): number {
  for (let decimals = 0; decimals < 8; decimals++) {
    const scaled = step * 10 ** decimals;
    if (scaled > 0.999_999 && Math.abs(scaled - Math.round(scaled)) < 1e-6) return decimals;
  }
  return Math.min(8, Math.max(0, Math.ceil(-Math.log10(step))));
}

/**
 * The step to round to, in the unit of both: the channel's own resolution, or a decimal step near 1/5000 of the capacity
 * where it names none.
 */
export function displayStep(resolution: number | null, capacity: number): number {
  if (resolution !== null && resolution > 0) return resolution;
  return 10 ** Math.floor(Math.log10(Math.max(capacity, 1e-9) / 5_000) + 1e-9);
}
