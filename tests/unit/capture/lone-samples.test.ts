import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { LoneSamples } from '../../../daemon/capture/lone-samples.ts';
import { seeded } from '../../helpers/seeded.ts';
import { captured, engine, feed, lines } from './shapes.ts';

const CAPACITY = 60;

/** All samples but the newest, as they leave. */
function through(samples: readonly number[], rateHz = 1_000, cuts: readonly number[] = [samples.length]): { out: number[]; lone: LoneSamples } {
  const lone = new LoneSamples(rateHz, CAPACITY);
  const out: number[] = [];
  const input = Float64Array.from(samples);
  const scratch = new Float64Array(Math.max(1, samples.length));
  for (let at = 0, i = 0; at < input.length; i++) {
    const count = Math.min(cuts[i % cuts.length]!, input.length - at);
    out.push(...scratch.subarray(0, lone.push(input, at, count, 1, scratch)));
    at += count;
  }
  return { out, lone };
}

const noisy = (samples: readonly number[], sigma: number): number[] => {
  const next = seeded(3);
  // The sum of twelve uniform numbers, less six, has a standard deviation of 1.
  return samples.map((value) => value + sigma * (Array.from({ length: 12 }, next).reduce((sum, one) => sum + one, 0) - 6));
};
const RAMP = lines([0, 0], [300, 0], [1_300, 40], [1_800, 40], [2_000, 0], [2_300, 0]);

describe('a sample that stands out of its neighbours', () => {
  it('is replaced from 500 samples/s on, wherever it stands, and told', () => {
    for (const at of [150, 700, 1_500, 1_900]) {
      for (const by of [12, -12, 60]) {
        const spiked = noisy(RAMP, 0.02);
        const clean = spiked[at]!;
        spiked[at] = clean + by;
        const { out, lone } = through(spiked);
        expect(Math.abs(out[at]! - clean), `${at} ${by}`).toBeLessThan(0.3);
        expect(lone.standsOut(40)).toBe(true);
        const slow = through(spiked, 499);
        expect(slow.out[at]).toBe(spiked[at]);
        expect(slow.lone.standsOut(40)).toBe(true);
      }
    }
  });

  it('leaves ramps, corners, tops and noise as they are, and says nothing', () => {
    const corner = [...lines([0, 0], [50, 50]), 50, ...lines([0, 5], [5, 0]), ...Array<number>(60).fill(0)];
    const sine = Array.from({ length: 200 }, (_, i) => 40 * Math.max(0, Math.sin((Math.PI * (i - 100)) / 8)) * (i < 108 ? 1 : 0));
    for (const samples of [RAMP, corner, sine]) {
      const { out, lone } = through(samples);
      expect(out).toEqual(samples.slice(0, -1));
      expect(lone.standsOut(Math.max(...samples))).toBe(false);
    }
    const withNoise = noisy(RAMP, 0.1);
    const { out, lone } = through(withNoise);
    expect(lone.standsOut(40)).toBe(false);
    const changed = out.filter((value, i) => value !== withNoise[i]);
    expect(changed.length).toBeLessThan(out.length / 100);
    expect(Math.max(...out)).toBeGreaterThan(40.2);
  });

  it('is judged the same for any split, and what leaves is a sample or the median of three', () => {
    fc.assert(fc.property(
      fc.array(fc.double({ min: -60, max: 60, noNaN: true }), { minLength: 1, maxLength: 300 }), fc.array(fc.integer({ min: 1, max: 40 }), { minLength: 1, maxLength: 5 }),
      (samples, cuts) => {
        const whole = through(samples);
        const split = through(samples, 1_000, cuts);
        expect(split.out).toEqual(whole.out);
        expect(split.lone.standsOut(10)).toBe(whole.lone.standsOut(10));
        expect(whole.out).toHaveLength(samples.length - 1);
        whole.out.forEach((value, i) => {
          const three = [samples[Math.max(0, i - 1)]!, samples[i]!, samples[i + 1]!].sort((a, b) => a - b);
          expect([samples[i], three[1]]).toContain(value);
        });
        expect(whole.lone.highest).toBe(Math.max(...samples));
      },
    ));
  });
});

describe('a reading of a pull with one spiked sample', () => {
  const pulled = (at: number, by: number): number[] => RAMP.map((value, i) => (i === at ? value + by : value));

  it.each(['peak', 'first-peak'] as const)('%s: has the value without it, and the flag', (mode) => {
    for (const [at, by] of [[700, 20], [1_000, -15], [1_500, 15], [1_299, 8]] as const) {
      const [only, ...rest] = captured(feed(engine({ mode }), pulled(at, by)));
      expect(rest).toEqual([]);
      expect(only!.capture.value).toBeCloseTo(40, 1);
      expect(only!.capture.click ?? false).toBe(false);
      expect(only!.capture.flags).toContain('spike');
    }
    expect(captured(feed(engine({ mode }), RAMP))[0]!.capture.flags).toEqual([]);
  });

  it('has no low-pass smear it', () => {
    const filter = { kind: 'butterworth', order: 2, cutoffHz: 100 } as const;
    const clean = captured(feed(engine({ mode: 'peak', filter }), RAMP))[0]!.capture.value;
    expect(captured(feed(engine({ mode: 'peak', filter }), pulled(1_500, 30)))[0]!.capture.value).toBe(clean);
  });
});
