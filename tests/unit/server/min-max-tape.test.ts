import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { MinMaxTape } from '../../../daemon/server/stream/min-max-tape.ts';

const samples = fc.array(fc.double({ min: -1e3, max: 1e3, noNaN: true }), { minLength: 1, maxLength: 400 });

describe('reducing samples to lowest and highest', () => {
  it('never hides a peak, whatever the blocks and the turns', () => {
    fc.assert(fc.property(samples, fc.array(fc.integer({ min: 1, max: 50 }), { minLength: 1, maxLength: 20 }), fc.integer({ min: 1, max: 9 }), (values, cuts, takeEvery) => {
      const tape = new MinMaxTape(100);
      const pairs: number[] = [];
      let count = 0;
      const take = (): void => {
        for (const segment of tape.take()) {
          pairs.push(...segment.pairs);
          count += segment.samples;
        }
      };
      for (let at = 0, block = 0; at < values.length; block++) {
        const end = Math.min(values.length, at + cuts[block % cuts.length]!);
        tape.add(Float64Array.from(values.slice(at, end)), at, 1, block > 0);
        at = end;
        if (block % takeEvery === 0) take();
      }
      take();
      take();
      expect(Math.max(...pairs)).toBe(Math.max(...values));
      expect(Math.min(...pairs)).toBe(Math.min(...values));
      expect(count).toBe(values.length);
    }));
  });

  it('gives twenty pairs per turn with the time of the first', () => {
    const tape = new MinMaxTape(100);
    tape.add(Float64Array.from({ length: 100 }, (_, i) => i), 5_000, 1, false);
    const [segment] = tape.take();
    expect(segment).toMatchObject({ startMs: 5_000, spacingMs: 5, samples: 100 });
    expect(segment!.pairs).toHaveLength(40);
    expect(segment!.pairs.slice(0, 4)).toEqual([0, 4, 5, 9]);
  });

  it('gives single samples of a slow channel', () => {
    const tape = new MinMaxTape(100);
    tape.add(Float64Array.of(3, 4), 0, 50, false);
    expect(tape.take()).toEqual([{ startMs: 0, spacingMs: 50, pairs: [3, 3, 4, 4], samples: 2 }]);
  });

  it('keeps what lies before a gap apart', () => {
    const tape = new MinMaxTape(100);
    tape.add(Float64Array.of(1, 2, 3), 0, 5, false);
    tape.add(Float64Array.of(7, 8), 400, 5, false);
    expect(tape.take().map(({ startMs, pairs }) => ({ startMs, pairs }))).toEqual([
      { startMs: 0, pairs: [1, 1, 2, 2, 3, 3] }, { startMs: 400, pairs: [7, 7, 8, 8] },
    ]);
  });

  it('stays bounded under endless gaps and when nobody takes, and still hides no peak', () => {
    const gappy = new MinMaxTape(100);
    for (let i = 0; i < 10_000; i++) gappy.add(Float64Array.of(i === 4_321 ? 99 : 1), i * 10, 1, false);
    const segments = gappy.take();
    expect(segments.length).toBeLessThanOrEqual(5);
    expect(Math.max(...segments.flatMap((segment) => segment.pairs))).toBe(99);

    const late = new MinMaxTape(100);
    for (let i = 0; i < 10_000; i++) late.add(Float64Array.of(i === 4_321 ? 99 : 1), i, 1, i > 0);
    const [one] = late.take();
    expect(one!.pairs.length).toBeLessThanOrEqual(84);
    expect(Math.max(...one!.pairs)).toBe(99);
    expect(one!.samples).toBeGreaterThan(9_000);
    // The pairs are fine again afterwards.
    for (let i = 0; i < 300; i++) late.add(Float64Array.of(1), 10_000 + i, 1, true);
    late.take();
    for (let i = 0; i < 100; i++) late.add(Float64Array.of(1), 10_300 + i, 1, true);
    expect(late.take()[0]!.spacingMs).toBe(5);
  });

  it('shows no pair of values that are no numbers', () => {
    const tape = new MinMaxTape(100);
    tape.add(new Float64Array(20).fill(NaN), 0, 1, false);
    expect(tape.take()).toEqual([]);
  });
});
