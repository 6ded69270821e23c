import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decimalsFor, displayStep, durationText, formatTorque, roundTicks, unitSymbol } from '../../../daemon/page/format.ts';

describe('torque as text', () => {
  it.each([
    [50.1234, 0.01, '50.12'], [50.126, 0.01, '50.13'], [-50.126, 0.01, '−50.13'], [0.004, 0.01, '0.00'], [-0.004, 0.01, '0.00'],
    [12.34, 0.05, '12.35'], [12.32, 0.05, '12.30'], [119.7, 0.5, '119.5'], [1_234.4, 1, '1234'], [7, 2, '8'], [0.000_25, 0.000_1, '0.0003'],
  ])('%d by steps of %d is %s', (value, step, text) => {
    expect(formatTorque(value, step)).toBe(text);
  });

  it('is never further than half a step from the value', () => {
    fc.assert(fc.property(fc.double({ min: -2_000, max: 2_000, noNaN: true }), fc.constantFrom(0.001, 0.002, 0.005, 0.01, 0.05, 0.1, 0.5, 1, 2), (value, step) => {
      const shown = Number(formatTorque(value, step).replace('−', '-'));
      expect(Math.abs(shown - value)).toBeLessThanOrEqual(step * 0.500_001);
    }));
  });

  it('shows no decimal finer than the step', () => {
    expect([0.001, 0.005, 0.01, 0.25, 0.5, 1, 5].map(decimalsFor)).toEqual([3, 3, 2, 2, 1, 0, 0]);
  });

  it('takes the channel\'s own step, and one from the capacity where it names none', () => {
    expect(displayStep(0.02, 60)).toBe(0.02);
    expect(displayStep(null, 60)).toBeCloseTo(0.01, 12);
    expect(displayStep(null, 5)).toBeCloseTo(0.001, 12);
    expect(displayStep(null, 1_000)).toBeCloseTo(0.1, 12);
  });
});

describe('other text', () => {
  it('names units as people write them, and leaves an unknown one as it is', () => {
    expect([unitSymbol('N.m'), unitSymbol('[lbf_av].[ft_i]'), unitSymbol('furlong')]).toEqual(['N·m', 'lbf·ft', 'furlong']);
  });

  it('gives durations a fit unit', () => {
    expect([durationText(8), durationText(994), durationText(2_140), durationText(61_000)]).toEqual(['8 ms', '994 ms', '2.14 s', '61.0 s']);
  });

  it('finds round numbers between two ends', () => {
    expect(roundTicks(18, 31, 4)).toEqual([20, 25, 30]);
    expect(roundTicks(5, 5, 4)).toEqual([]);
  });
});
