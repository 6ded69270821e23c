import { describe, expect, it } from 'vitest';
import { DRIVERS, tally } from '../helpers/holes-through-drivers.ts';

const HOLES = 200 / DRIVERS.length;
const DELAYS = 100 / DRIVERS.length;

describe.each(DRIVERS)('a device behind the driver %s', (driver) => {
  it(`that falls silent and goes on without what it missed: ${HOLES} holes, no pull judged across one, no other lost`, async () => {
    const { cut, whole, wrong } = await tally(driver, 'hole', HOLES, 41);
    expect(wrong).toEqual([]);
    expect(cut).toBeGreaterThan(HOLES / 5);
    expect(whole).toBeGreaterThan(HOLES / 2);
  });

  it(`that is late and sends or answers it all: ${DELAYS} delays, every pull there once`, async () => {
    const { whole, wrong } = await tally(driver, 'delay', DELAYS, 43);
    expect(wrong).toEqual([]);
    expect(whole).toBeGreaterThan(DELAYS);
  });
});
