import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { SeededRandom } from '../../../simulator/random.ts';
import { SampleTimes, Sensor, type SensorTraits } from '../../../simulator/sensor/sensor.ts';

const perfect: SensorTraits = { capacity: 60, bits: 16, noiseSigma: 0, offset: 0, driftPerS: 0, bandwidthHz: Infinity };
const sensor = (changes: Partial<SensorTraits> = {}): Sensor => new Sensor({ ...perfect, ...changes }, new SeededRandom(1));

describe('sensor', () => {
  it('gives whole steps, never beyond its range, and says when it is at the end', () => {
    fc.assert(fc.property(fc.double({ min: -200, max: 200, noNaN: true }), fc.integer({ min: 8, max: 20 }), (torque, bits) => {
      const tested = sensor({ bits });
      const value = tested.read(torque, 0);
      const code = value / tested.lsb;
      expect(code).toBe(Math.round(code));
      expect(code).toBeLessThanOrEqual(2 ** (bits - 1) - 1);
      expect(code).toBeGreaterThanOrEqual(-(2 ** (bits - 1)));
      if (Math.abs(torque) > 60.001) expect(tested.isSaturated).toBe(true);
      if (Math.abs(torque) < 59) {
        expect(tested.isSaturated).toBe(false);
        expect(Math.abs(value - torque)).toBeLessThanOrEqual(tested.lsb / 2 + 1e-12);
      }
    }));
  });

  it('follows a step as a single pole: 1 - exp(-t/tau)', () => {
    const tested = sensor({ bits: 24, bandwidthHz: 10 });
    const tauS = 1 / (2 * Math.PI * 10);
    tested.read(0, 0);
    tested.read(10, 1e-9);
    for (const t of [0.005, 0.02, 0.1]) {
      expect(tested.read(10, 1e-9 + t)).toBeCloseTo(10 * (1 - Math.exp(-t / tauS)), 3);
    }
  });

  it('has noise of the stated deviation, an offset and a drift, and zeroes both', () => {
    const tested = sensor({ bits: 24, noiseSigma: 0.05, offset: 0.3, driftPerS: 0.01 });
    const at = (fromS: number): { mean: number; deviation: number } => {
      const values = Array.from({ length: 20_000 }, () => tested.read(5, fromS));
      const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
      return { mean, deviation: Math.sqrt(values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / (values.length - 1)) };
    };
    const first = at(0);
    expect(first.mean).toBeCloseTo(5.3, 2);
    expect(Math.abs(first.deviation / 0.05 - 1)).toBeLessThan(0.03);
    expect(at(10).mean).toBeCloseTo(5.4, 2);
    tested.zero(10);
    expect(at(10).mean).toBeCloseTo(5, 2);
  });

  it('samples at its quartz\'s rate, never going back in time', () => {
    const times = new SampleTimes(1_000, 100, 500e-6, new SeededRandom(2));
    const all = Array.from({ length: 10_001 }, () => times.next());
    expect(all.every((t, i) => i === 0 || t > all[i - 1]!)).toBe(true);
    expect(Math.abs(all[10_000]! - 10 / 1.0001)).toBeLessThan(0.2e-3 + 1e-9);
  });
});
