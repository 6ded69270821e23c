/**
 * The number a rate was meant to be. Capture counts in it and filters are built for it, so it must not change with the
 * chance of one connection: 999.7 S/s measured is 1000 S/s meant.
 *
 * Within 0.4 % of one of 1, 1.25, 1.6, 2, 2.5, 3, 4, 5, 6, 8 times a power of ten it is that number, else the nearest
 * with three digits.
 * @param hz measured samples per second, above 0
 */
export function nominalRate(hz: number): number {
  const decade = 10 ** Math.floor(Math.log10(hz));
  for (const step of [1, 1.25, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10]) {
    if (Math.abs(hz / decade / step - 1) <= 0.004) return Number((step * decade).toPrecision(3));
  }
  return Number(hz.toPrecision(3));
}
