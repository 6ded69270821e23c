import { describe, expect, it } from 'vitest';
import { bandOf } from '../../../daemon/page/limits.ts';
import { reachEnds } from '../../../daemon/page/reach.ts';
import { curveOf } from '../../../daemon/page/trace.ts';
import { comparable, trailScale } from '../../../daemon/page/trail.ts';
import type { Reading } from '../../../shared/reading.ts';
import { channel } from '../../helpers/page-harness/fake-station.ts';
import { exampleReading } from '../../helpers/scripted-gateway.ts';

describe('limits', () => {
  it('are a band around the target, however they were given', () => {
    expect(bandOf({ kind: 'absolute', target: 50, low: 48, high: 52 })).toEqual({ target: 50, low: 48, high: 52 });
    expect(bandOf({ kind: 'percent', target: 50, minus: 4, plus: 6 })).toEqual({ target: 50, low: 48, high: 53 });
    expect(bandOf({ kind: 'none' })).toBeNull();
  });
});

describe('scales', () => {
  it('reach to the capacity on the sides that are captured', () => {
    expect([reachEnds('cw', 60), reachEnds('ccw', 60), reachEnds('both', 60)]).toEqual([{ from: 0, to: 60 }, { from: -60, to: 0 }, { from: -60, to: 60 }]);
  });

  it('hold the whole band, and start at zero at the least', () => {
    const scale = trailScale({ target: 50, low: 48, high: 52 }, [], 0.01)!;
    expect(scale.from).toBeLessThan(48);
    expect(scale.to).toBeGreaterThan(52);
    expect(trailScale({ target: 1, low: 0, high: 9 }, [], 0.01)!.from).toBe(0);
  });

  it('follow the readings where there are no limits', () => {
    expect(trailScale(null, [], 0.01)).toBeNull();
    const scale = trailScale(null, [20, 30], 0.01)!;
    expect(scale.from).toBeLessThan(20);
    expect(scale.to).toBeGreaterThan(30);
  });

  it('show only readings judged against what is set now', () => {
    const info = channel(0, 'bench-a/1', 'A', 100, 0.01, { limits: { kind: 'percent', target: 50, minus: 4, plus: 4 } });
    const same: Reading = { ...exampleReading(1), target: 50, low: 48, high: 52 };
    const others: Reading[] = [{ ...same, high: 53 }, { ...same, low: null, high: null }, { ...same, unit: 'cN.m' }];
    expect(comparable([same, ...others], info)).toEqual([same]);
    expect(comparable([exampleReading(2)], channel(0, 'bench-a/1', 'A', 100, 0.01, {}))).toHaveLength(1);
  });
});

describe('the curve of a cycle', () => {
  const torque = [0, 10, 30, 50, 44, 45, 57, 20, 0];
  const body = { spacingMs: 100, torque, evidence: { cycleAt: 1, takenAt: null } };

  it('marks the captured torque and the highest where they happened, in time from the start of the cycle', () => {
    const curve = curveOf(body, { ...exampleReading(1), mode: 'first-peak', value: 50, maximum: 57, click: true });
    expect([curve.valueAt, curve.maximumAt]).toEqual([3, 6]);
    expect(Array.from(curve.seconds.slice(0, 3))).toEqual([-0.1, 0, 0.1]);
  });

  it('works counter-clockwise and in the unit of the reading', () => {
    const turned = { ...body, torque: torque.map((value) => -value) };
    const curve = curveOf(turned, { ...exampleReading(1), unit: 'cN.m', value: -5_000, maximum: -5_700, direction: 'ccw' });
    expect([curve.valueAt, curve.maximumAt]).toEqual([3, 6]);
    expect(curve.torque[3]).toBe(-5_000);
  });

  it('marks nothing where no sample reaches the value, as after a low-pass that overshoots', () => {
    expect(curveOf(body, { ...exampleReading(1), value: 58, maximum: 58 }).valueAt).toBeNull();
  });

  it('marks a track reading where it was taken', () => {
    expect(curveOf({ ...body, evidence: { cycleAt: 1, takenAt: 5 } }, { ...exampleReading(1), mode: 'track', value: 44.5 }).valueAt).toBe(5);
  });

  it.each([null, {}, { spacingMs: 0, torque: [1] }, { spacingMs: 1, torque: [] }])('is refused when %j comes instead of samples', (answer) => {
    expect(() => curveOf(answer, exampleReading(1))).toThrow('the gateway sent no samples');
  });
});
