import fc from 'fast-check';
import { CalcCascades, IirFilter } from 'fili';
import { describe, expect, it } from 'vitest';
import { LowPass, butterworth, cornerHz, designLowPass, filterFault } from '../../../daemon/conditioning/low-pass.ts';
import butterworthVectors from '../../vectors/butterworth.json' with { type: 'json' };
import cfcVectors from '../../vectors/cfc.json' with { type: 'json' };

const RATE = 1000;

function response(lowPass: LowPass, input: readonly number[]): number[] {
  const out = new Float64Array(input.length);
  lowPass.run(Float64Array.from(input), 0, input.length, out);
  return [...out];
}

const even = butterworthVectors.cases.filter((entry) => entry.order === 2 || entry.order === 4);

// Reference: scipy.signal.butter, bilinear transform with pre-warping (tests/vectors/butterworth.json).
describe.each(even.map((entry) => [entry.order, entry.fc_over_fs, entry] as const))('Butterworth of order %d at fc/fs %d', (order, share, reference) => {
  const sections = butterworth(order as 2 | 4, share * RATE, RATE);

  it('has the reference poles and gain to 1e-12', () => {
    const poles = sections.map(({ a1, a2 }) => [a1, a2]).sort((a, b) => b[0]! - a[0]!);
    const wanted = reference.sos.map((row) => [row[4]!, row[5]!]).sort((a, b) => b[0]! - a[0]!);
    poles.forEach((pair, i) => pair.forEach((value, j) => expect(Math.abs(value - wanted[i]![j]!)).toBeLessThan(1e-12)));
    const gain = sections.reduce((product, { b0 }) => product * b0, 1);
    const wantedGain = reference.sos.reduce((product, row) => product * row[0]!, 1);
    expect(Math.abs(gain / wantedGain - 1)).toBeLessThan(1e-12);
  });

  it('gives the reference step and impulse responses to 1e-12', () => {
    const step = response(new LowPass(sections), new Array<number>(20).fill(1));
    step.forEach((value, i) => expect(Math.abs(value - reference.step20[i]!)).toBeLessThan(1e-12));
    const impulse = response(new LowPass(sections), [1, ...new Array<number>(19).fill(0)]);
    impulse.forEach((value, i) => expect(Math.abs(value - reference.impulse20[i]!)).toBeLessThan(1e-12));
  });

  it('overshoots a step by what the documents say', () => {
    const peak = Math.max(...response(new LowPass(sections), new Array<number>(400).fill(1)));
    expect(Math.abs(peak - reference.step_peak)).toBeLessThan(1e-12);
    const [least, most] = order === 2 ? [1.04, 1.0501] : [1.1, 1.12];
    expect(peak).toBeGreaterThan(least);
    expect(peak).toBeLessThan(most);
  });
});

// Reference: SAE J211-1 difference equation (tests/vectors/cfc.json).
describe.each(cfcVectors.cases.map((entry) => [entry.cfc, entry.fs_hz, entry] as const))('CFC %d at %d samples/s', (cfc, rate, reference) => {
  const filter = { kind: 'cfc' as const, class: cfc as 60 | 180 | 600 | 1000 };

  it('has the coefficients and the step response of the standard\'s equation to 1e-12', () => {
    const [section] = designLowPass(filter, rate);
    expect(Math.abs(section!.b0 - reference.a0)).toBeLessThan(1e-12);
    expect(Math.abs(section!.b1 - reference.a1)).toBeLessThan(1e-12);
    expect(Math.abs(-section!.a1 - reference.b1)).toBeLessThan(1e-12);
    expect(Math.abs(-section!.a2 - reference.b2)).toBeLessThan(1e-12);
    const wanted = reference.one_pass_step_0_at_index8_first24_after;
    response(new LowPass([section!]), new Array<number>(wanted.length).fill(1))
      .forEach((value, i) => expect(Math.abs(value - wanted[i]!)).toBeLessThan(1e-12));
  });

  it('names the corner of one pass', () => {
    expect(cornerHz(filter)).toBeCloseTo(2.0775 * cfc, 10);
  });
});

describe('low-pass', () => {
  it('filters the reference pulse like scipy from rest', () => {
    const { input, forward } = butterworthVectors.pulse_case;
    response(new LowPass(butterworth(2, 100, RATE)), input).forEach((value, i) => expect(Math.abs(value - forward[i]!)).toBeLessThan(1e-12));
  });

  it('agrees with an independent filter library', () => {
    // fili designs order 2 as one biquad and order 4 as a cascade of two with the Butterworth damping of each pair.
    const input = Array.from({ length: 300 }, (_, i) => Math.sin(i / 7) + (i % 50 === 0 ? 3 : 0));
    for (const order of [2, 4] as const) {
      const coefficients = new CalcCascades().lowpass({ order: order / 2, characteristic: 'butterworth', Fs: RATE, Fc: 60, preGain: false });
      const theirs = new IirFilter(coefficients).multiStep(input);
      response(new LowPass(butterworth(order, 60, RATE)), input).forEach((value, i) => expect(Math.abs(value - theirs[i]!)).toBeLessThan(1e-9));
    }
  });

  it.each([2, 4] as const)('of order %d stays where it was primed', (order) => {
    const lowPass = new LowPass(butterworth(order, 30, RATE));
    lowPass.prime(-12.5);
    for (const value of response(lowPass, new Array<number>(200).fill(-12.5))) expect(Math.abs(value + 12.5)).toBeLessThan(1e-12);
  });

  it('gives the same doubles for any split', () => {
    fc.assert(fc.property(
      fc.array(fc.double({ min: -100, max: 100, noNaN: true }), { minLength: 1, maxLength: 200 }),
      fc.array(fc.integer({ min: 1, max: 40 }), { minLength: 1, maxLength: 20 }), fc.constantFrom(2 as const, 4 as const),
      (samples, cuts, order) => {
        const whole = response(new LowPass(butterworth(order, 50, RATE)), samples);
        const lowPass = new LowPass(butterworth(order, 50, RATE));
        const pieces: number[] = [];
        for (let at = 0, i = 0; at < samples.length; i++) {
          const count = Math.min(cuts[i % cuts.length]!, samples.length - at);
          const out = new Float64Array(count);
          lowPass.run(Float64Array.from(samples), at, count, out);
          pieces.push(...out);
          at += count;
        }
        expect(pieces).toEqual(whole);
      },
    ));
  });

  it('gives the very same output when it looks for the highest, and finds it', () => {
    fc.assert(fc.property(
      fc.array(fc.double({ min: -100, max: 100, noNaN: true }), { minLength: 2, maxLength: 120 }),
      fc.constantFrom(0 as const, 2 as const, 4 as const), fc.nat(1_000),
      (samples, order, cut) => {
        const sections = order === 0 ? [] : butterworth(order, 50, RATE);
        const wanted = [...response(new LowPass(sections), samples)];
        const first = cut % samples.length;
        const lowPass = new LowPass(sections);
        const peak = { highest: -Infinity, highestAt: -1, highestInput: -Infinity };
        const values = Float64Array.from(samples);
        lowPass.runForPeak(values, 0, first, peak);
        lowPass.runForPeak(values, first, samples.length - first, peak);
        expect([...values]).toEqual(wanted);
        expect(peak.highest).toBe(Math.max(...wanted));
        expect(peak.highestAt).toBe(values.findIndex((value) => value === peak.highest));
        expect(peak.highestInput).toBe(Math.max(...samples));
      },
    ));
  });

  it('refuses what the sample rate cannot carry, and says what it would need', () => {
    expect(filterFault({ kind: 'butterworth', order: 2, cutoffHz: 500 }, 200)?.code).toBe('RATE_TOO_LOW');
    expect(filterFault({ kind: 'butterworth', order: 2, cutoffHz: 500 }, 200)?.message).toMatch(/at least 1250 samples\/s; the channel gives 200/);
    expect(filterFault({ kind: 'cfc', class: 600 }, 5000)?.message).toMatch(/at least 6000/);
    expect(filterFault({ kind: 'butterworth', order: 4, cutoffHz: 400 }, 1000)).toBeNull();
    expect(() => designLowPass({ kind: 'butterworth', order: 2, cutoffHz: 500 }, 200)).toThrow(/500 Hz/);
  });
});
