import { describe, expect, it } from 'vitest';
import { HOLE_DEVICES, holeCases, scoreHoles, toldMiss } from '../../corpus/hole-score.ts';

/** Holes and delays of each device; together 200 and more than 100. */
const COUNTS: Record<string, readonly [holes: number, delays: number]> = {
  'ascii-lines': [40, 20],
  'framed-binary, no counter': [24, 12],
  'framed-binary, u16 counts on in the hole': [24, 12],
  'framed-binary, u8 counts on in the hole': [24, 12],
  'framed-binary, counter stands in the hole': [24, 12],
  'scpi, asked': [32, 20],
  'modbus-rtu, asked, counts': [32, 20],
};
/** For machines that do much else. */
const LONGEST_MS = 600_000;

describe('holes and delays through real drivers', () => {
  it('are 200 and more than 100', () => {
    const counts = HOLE_DEVICES.map(({ name }) => COUNTS[name]!);
    expect(counts.reduce((sum, [holes]) => sum + holes, 0)).toBe(200);
    expect(counts.reduce((sum, [, delays]) => sum + delays, 0)).toBeGreaterThan(100);
  });

  it.each(HOLE_DEVICES.map((device) => ({ name: device.name, device })))('$name: no pull is judged across a hole, no other pull is lost', async ({ name, device }) => {
    const { tally, misses } = await scoreHoles(holeCases(device, 'hole', COUNTS[name]![0], 21));
    expect(misses.map(toldMiss)).toEqual([]);
    expect(tally.cut).toBe(tally.touched);
    expect(tally.touched).toBeGreaterThan(5);
  }, LONGEST_MS);

  it.each(HOLE_DEVICES.map((device) => ({ name: device.name, device })))('$name: a delay loses nothing', async ({ name, device }) => {
    const { tally, misses } = await scoreHoles(holeCases(device, 'delay', COUNTS[name]![1], 22));
    expect(misses.map(toldMiss)).toEqual([]);
    expect(tally.innocent).toBe(2 * tally.runs);
  }, LONGEST_MS);
});
