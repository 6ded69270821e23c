import { describe, expect, it } from 'vitest';
import { SeededRandom } from '../../../simulator/random.ts';

describe('seeded random numbers', () => {
  it('follow xoshiro128**: the first words from the state 1, 2, 3, 4', () => {
    // Computed apart in Python integers from the published algorithm.
    const random = new SeededRandom([1, 2, 3, 4]);
    expect(Array.from({ length: 10 }, () => random.word())).toEqual([
      11520, 0, 5927040, 70819200, 2031721883, 1637235492, 1287239034, 3734860849, 3729100597, 4258142804,
    ]);
  });

  it('are the same for the same seed and differ for another', () => {
    const draw = (seed: number): number[] => Array.from({ length: 50 }, ((random) => () => random.normal())(new SeededRandom(seed)));
    expect(draw(5)).toEqual(draw(5));
    expect(draw(5)).not.toEqual(draw(6));
  });

  it('have normal values of mean 0 and standard deviation 1', () => {
    const random = new SeededRandom(11);
    const n = 200_000;
    let sum = 0;
    let squares = 0;
    for (let i = 0; i < n; i++) {
      const value = random.normal();
      sum += value;
      squares += value * value;
    }
    expect(Math.abs(sum / n)).toBeLessThan(5 / Math.sqrt(n)); // 5 standard errors
    expect(Math.abs(squares / n - 1)).toBeLessThan(5 * Math.sqrt(2 / n));
  });
});
