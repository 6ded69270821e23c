import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { SeededRandom } from '../../../simulator/random.ts';
import { pullClickWrench, type ClickWrenchTraits } from '../../../simulator/tools/click-wrench.ts';
import { runClutchDriver } from '../../../simulator/tools/clutch-driver.ts';
import { FALL_SHAPES, fallen, firstCrossing, KnotCurve } from '../../../simulator/tools/curve.ts';
import { pullDialWrench } from '../../../simulator/tools/dial-wrench.ts';
import { effortKnots, ordinaryOperator, tremorOf, type OperatorTraits } from '../../../simulator/tools/operator.ts';
import { truthOf, type Pull } from '../../../simulator/tools/pull.ts';
import { runPulseTool } from '../../../simulator/tools/pulse-tool.ts';
import { pullSlipScrewdriver } from '../../../simulator/tools/slip-screwdriver.ts';

const wrench: ClickWrenchTraits = {
  tripTorque: 50, freeTravelDeg: 3, windUpDeg: 20, travelS: 0.015, fallShape: 'cosine', ring: { share: 0, hz: 40, decayS: 0.01 },
};
const steady = (changes: Partial<OperatorTraits> = {}): OperatorTraits => ({
  ...ordinaryOperator(new SeededRandom(3)), riseS: 1, tremor: { share: 0, hz: 10 }, unevenness: 0, hesitation: null, surge: 1, ...changes,
});
const seeds = fc.integer({ min: 0, max: 1e9 });

function sampled(pull: Pull, stepS = 1e-3): number[] {
  return Array.from({ length: Math.ceil(pull.durationS / stepS) + 1 }, (_, i) => pull.torqueAt(i * stepS));
}

describe('click wrench', () => {
  it('gives way by its free travel of 3 degrees, and torque falls by stiffness times travel', () => {
    const pull = pullClickWrench(wrench, steady({ atClick: { kind: 'stop' }, riseS: 4 }), new SeededRandom(1));
    const tripS = pull.clickAtS!;
    expect(pull.travelDegAt(tripS)).toBe(0);
    expect(pull.travelDegAt(tripS + wrench.travelS)).toBeCloseTo(3, 9);
    // 50 N·m over 20 degrees of wind-up, 3 degrees lost: 7.5 N·m; the hand adds at most its speed times the fall.
    const fall = pull.torqueAt(tripS) - pull.torqueAt(tripS + wrench.travelS);
    expect(fall).toBeLessThanOrEqual(7.5);
    expect(fall).toBeGreaterThan(7.5 - (50 / 4) * wrench.travelS * 1.5);
  });

  it('never shows more than the set torque before the click, tremor or not', () => {
    fc.assert(fc.property(seeds, (seed) => {
      const random = new SeededRandom(seed);
      const traits = { ...ordinaryOperator(random), tremor: { share: random.between(0, 0.01), hz: 10 } };
      const pull = pullClickWrench(wrench, traits, random);
      for (let t = 0; t < pull.clickAtS!; t += 1e-3) expect(pull.torqueAt(t)).toBeLessThanOrEqual(50 * (1 + 1e-9));
      expect(pull.torqueAt(pull.clickAtS!)).toBeCloseTo(50, 5);
    }), { numRuns: 30 });
  });

  it('over-torques by tens of per cent when the operator goes on, and not beyond the limit', () => {
    const goOn = steady({ atClick: { kind: 'go-on', overShare: 0.4 } });
    expect(truthOf(pullClickWrench(wrench, goOn, new SeededRandom(1))).maximum).toBeCloseTo(70, 1);
    expect(truthOf(pullClickWrench(wrench, goOn, new SeededRandom(1), 60)).maximum).toBeLessThanOrEqual(60 * 1.0001);
  });

  it('counter-clockwise is the mirror image', () => {
    const cw = sampled(pullClickWrench(wrench, steady(), new SeededRandom(9)));
    const ccw = sampled(pullClickWrench(wrench, steady({ direction: 'ccw' }), new SeededRandom(9)));
    expect(ccw.map((torque) => -torque + 0)).toEqual(cw.map((torque) => torque + 0));
    expect(Math.min(...ccw)).toBeLessThan(-49);
  });

  it('is the same for the same seed, bit for bit', () => {
    const make = (seed: number): number[] => {
      const random = new SeededRandom(seed);
      return sampled(pullClickWrench(wrench, ordinaryOperator(random), random));
    };
    expect(make(21)).toEqual(make(21));
    expect(make(21)).not.toEqual(make(22));
  });

  it('has its truth at the crest that a meter can see: no noise-free torque near the click is higher', () => {
    fc.assert(fc.property(seeds, fc.constantFrom(...FALL_SHAPES), (seed, fallShape) => {
      const random = new SeededRandom(seed);
      const pull = pullClickWrench({ ...wrench, fallShape }, ordinaryOperator(random), random);
      const truth = truthOf(pull);
      const near = Array.from({ length: 200 }, (_, i) => pull.torqueAt(truth.clickAtS! - 0.01 + i * 1e-4));
      expect(truth.clickTorque!).toBeGreaterThanOrEqual(Math.max(...near) - 1e-4);
      expect(truth.clickDepth).toBeGreaterThan(0.02);
    }), { numRuns: 30 });
  });
});

describe('other tools', () => {
  it('a dial wrench is held on the mark and has no click', () => {
    const pull = pullDialWrench({ target: 30, readingError: 0.01, holdS: 1.5, correction: 0.004 }, steady(), new SeededRandom(4));
    const truth = truthOf(pull);
    expect(truth.click).toBe(false);
    expect(truth.maximum).toBeCloseTo(30.3, 6);
    const onTheMark = sampled(pull).filter((torque) => torque > 30.3 * 0.99);
    expect(onTheMark.length).toBeGreaterThanOrEqual(1_500);
  });

  it('a screwdriver slips as often as told, falls by its depth and rises again after each', () => {
    const pull = pullSlipScrewdriver(
      { slipTorques: [4, 4.1, 3.9], depths: [0.3, 0.4, 0.35], fallsS: [0.01, 0.012, 0.02], fallShape: 'cosine', toothDeg: 36 }, steady(), new SeededRandom(5),
    );
    expect(pull.travelDegAt(pull.durationS - 1e-3)).toBeCloseTo(3 * 36, 6);
    const torques = sampled(pull, 1e-4);
    const falls = torques.filter((torque, i) => i > 300 && torque < torques[i - 300]! * 0.8 && torques[i - 1]! >= torques[i - 301]! * 0.8);
    expect(falls.length).toBeGreaterThanOrEqual(3);
    expect(truthOf(pull).clickTorque!).toBeCloseTo(4, 2);
    expect(truthOf(pull).maximum).toBeCloseTo(4.1, 2);
  });

  it('a clutch throws off to a few per cent within its shut-off time, and that is no click', () => {
    const pull = runClutchDriver({
      shutOffTorque: 6, prevailing: 0.05, runDownS: 0.5, riseS: 0.1, steepening: 1.3, shutOffS: 0.006, shutOffShape: 'linear', ratchet: 0.02, direction: 'cw',
    }, new SeededRandom(6));
    const truth = truthOf(pull);
    expect(truth).toMatchObject({ click: false, clickTorque: null });
    expect(truth.maximum).toBeCloseTo(6, 6);
    expect(pull.torqueAt(0.3)).toBeGreaterThan(6 * 0.05 * 0.8);
    expect(pull.torqueAt(0.3)).toBeLessThan(6 * 0.05 * 1.2);
    expect(pull.torqueAt(truth.firstPeakAtS + 0.0061)).toBeLessThan(6 * 0.021);
  });

  it('an impulse tool strikes as often and as high as its truth says, from what the blow before left', () => {
    const run = runPulseTool({ heights: [10, 20, 15], widthS: 0.006, periodS: 0.05, residual: 0.2, direction: 'ccw' });
    expect(run.pulses.map(({ height }) => height)).toEqual([-10, -20, -15]);
    for (const { atS, height } of run.pulses) expect(run.torqueAt(atS)).toBeCloseTo(height, 9);
    expect(run.torqueAt(run.pulses[0]!.atS + 0.02)).toBeCloseTo(-2, 9);
    expect(truthOf(run)).toMatchObject({ click: false, maximum: expect.closeTo(-20, 6) as number });
    for (const t of [-1, 0, run.durationS, run.durationS + 1]) expect(Math.abs(run.torqueAt(t))).toBe(0);
    const steps = sampled(run, 1e-5).map((torque, i, all) => Math.abs(torque - (all[i - 1] ?? 0)));
    expect(Math.max(...steps)).toBeLessThan(0.2);
    expect(() => runPulseTool({ heights: [1], widthS: 0.06, periodS: 0.05, residual: 0, direction: 'cw' })).toThrow(RangeError);
  });

  it('every pull begins and ends at nothing', () => {
    const random = new SeededRandom(8);
    const traits = ordinaryOperator(random);
    for (const pull of [
      pullClickWrench(wrench, traits, random),
      pullDialWrench({ target: 30, readingError: 0, holdS: 0, correction: 0 }, traits, random),
      pullSlipScrewdriver({ slipTorques: [4], depths: [0.3], fallsS: [0.01], fallShape: 'linear', toothDeg: 36 }, traits, random),
    ]) {
      for (const t of [-1, 0, pull.durationS, pull.durationS + 1]) expect(pull.torqueAt(t)).toBe(0);
    }
  });
});

describe('the operator', () => {
  it('eases off by the stated depth and pulls on', () => {
    const easing = { at: 0.7, depth: 0.1, fallS: 0.4 };
    const effort = new KnotCurve(effortKnots(steady({ easing }), 50, 55, new SeededRandom(2)));
    const from = firstCrossing((t) => effort.at(t), 35 * 0.999, 0, effort.endS)!;
    const after = Array.from({ length: 600 }, (_, i) => effort.at(from + i * 1e-3));
    expect(Math.min(...after)).toBeCloseTo(35 * 0.9, 1);
    expect(effort.at(effort.endS)).toBeGreaterThan(54);
  });

  it('trembles within its amplitude at its rate', () => {
    const tremor = tremorOf({ share: 0.01, hz: 10 }, new SeededRandom(2));
    const values = Array.from({ length: 10_000 }, (_, i) => tremor(i * 1e-3) - 1);
    expect(Math.max(...values.map(Math.abs))).toBeLessThanOrEqual(0.01);
    expect(Math.max(...values)).toBeGreaterThan(0.009);
    const rises = values.filter((value, i) => i > 0 && values[i - 1]! < 0 && value >= 0).length;
    expect(rises / 10).toBeGreaterThan(9);
    expect(rises / 10).toBeLessThan(11);
  });
});

describe('curves', () => {
  it('never leave the range of two neighbouring knots', () => {
    const knots = fc.array(fc.tuple(fc.double({ min: 0.01, max: 2, noNaN: true }), fc.double({ min: -100, max: 100, noNaN: true })), { minLength: 2, maxLength: 12 });
    fc.assert(fc.property(knots, (steps) => {
      let t = 0;
      const points = steps.map(([dt, value]) => ({ t: (t += dt), value }));
      const curve = new KnotCurve(points);
      for (let i = 0; i + 1 < points.length; i++) {
        const [a, b] = [points[i]!, points[i + 1]!];
        for (let x = 0; x <= 1; x += 0.125) {
          const value = curve.at(a.t + x * (b.t - a.t));
          expect(value).toBeGreaterThanOrEqual(Math.min(a.value, b.value) - 1e-9);
          expect(value).toBeLessThanOrEqual(Math.max(a.value, b.value) + 1e-9);
        }
      }
    }));
  });

  it('falls go from 0 to 1 and never back', () => {
    for (const shape of FALL_SHAPES) {
      const values = Array.from({ length: 101 }, (_, i) => fallen(shape, i / 100));
      expect([values[0], values[100]]).toEqual([0, 1]);
      expect(values.every((value, i) => i === 0 || value >= values[i - 1]!)).toBe(true);
    }
  });
});
