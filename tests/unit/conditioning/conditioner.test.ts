import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { torqueOf } from '../../../daemon/conditioning/calibration.ts';
import { Conditioner, type ConditionerOptions, type ZeroRule } from '../../../daemon/conditioning/conditioner.ts';
import type { CalibrationCurve, DeviceBlock, SampleBlock } from '../../../shared/sample-block.ts';

const RATE = 1000;

function block(device: readonly number[], firstIndex = 0, more: Partial<DeviceBlock> = {}): DeviceBlock {
  return {
    channel: 'a/1', epoch: 1, firstIndex, gap: firstIndex === 0 ? 'connected' : null, startMs: firstIndex, spacingMs: 1000 / RATE, rateHz: RATE,
    timeEstimated: false, unit: null, device: Float64Array.from(device), status: null, ...more,
  };
}

function conditioner(zero: ZeroRule, more: Partial<ConditionerOptions> = {}): Conditioner {
  return new Conditioner({ unit: 'N.m', sign: 1, calibration: { kind: 'none' }, zero, capacity: 60, ...more });
}

function run(subject: Conditioner, samples: readonly number[], cut: number): SampleBlock[] {
  const out: SampleBlock[] = [];
  for (let at = 0; at < samples.length; at += cut) out.push(...subject.step(block(samples.slice(at, at + cut), at)));
  return out;
}

const flat = (blocks: readonly SampleBlock[]): number[] => blocks.flatMap((entry) => [...entry.torque]);

describe('calibration', () => {
  const torque = (calibration: CalibrationCurve, device: number[], more = {}): number[] => [
    ...torqueOf(Float64Array.from(device), { unit: 'N.m', calibration, zero: 0, sign: 1, ...more }),
  ];

  it('applies unit, factor, sense and zero in that order', () => {
    expect(torque({ kind: 'factor', factor: 2 }, [100], { unit: 'cN.m', sign: -1, zero: 0.5 })).toEqual([-2.5]);
  });

  it('evaluates a polynomial in N.m', () => {
    expect(torque({ kind: 'polynomial', coefficients: [0.5, 1, 0.25] }, [2, -2])).toEqual([3.5, -0.5]);
  });

  it('goes straight between points and on beyond the ends', () => {
    const points = [[-10, -11], [0, 0], [10, 10.5], [20, 22]] as const;
    expect(torque({ kind: 'points', points }, [-20, -10, -5, 0, 5, 15, 20, 30])).toEqual([-22, -11, -5.5, 0, 5.25, 16.25, 22, 33.5]);
  });

  it('leaves N.m without calibration untouched, bit for bit', () => {
    fc.assert(fc.property(fc.double({ noNaN: true, noDefaultInfinity: true }), (value) => {
      expect(torque({ kind: 'none' }, [value])[0]).toBe(value);
    }));
  });
});

describe('a signal of the bridge', () => {
  const signal = { unit: 'mV/V', millivoltsPerVolt: 1, offset: 0.5, coefficients: [0, 50] } as const;

  it('becomes torque before unit, calibration, sense and zero', () => {
    const [made] = conditioner({ kind: 'fixed', offset: 0.25 }, { unit: 'cN.m', signal, sign: -1, calibration: { kind: 'factor', factor: 2 } }).step(block([2.5]));
    expect([...made!.torque]).toEqual([-2.25]);
    expect(torqueOf(made!.device, made!.conditioning)).toEqual(made!.torque);
    expect(made!.conditioning.signal).toEqual(signal);
  });

  it('is none where the device names a torque unit, and the change is a gap', () => {
    const subject = conditioner({ kind: 'fixed', offset: 0 }, { signal });
    const [first] = subject.step(block([1.5], 0));
    const [second] = subject.step(block([150], 1, { unit: 'cN.m' }));
    const [third] = subject.step(block([1.5], 2));
    expect([first!.torque[0], second!.torque[0], third!.torque[0]]).toEqual([50, 1.5, 50]);
    expect([second!.gap, third!.gap]).toEqual(['settings', 'settings']);
    expect([second!.conditioning.signal, third!.conditioning.signal]).toEqual([undefined, signal]);
  });
});

describe('zero', () => {
  it('fixed is subtracted from the first sample on', () => {
    expect(flat(run(conditioner({ kind: 'fixed', offset: 0.25 }), [1, 2], 1))).toEqual([0.75, 1.75]);
  });

  it('automatic follows a still, unloaded channel after its quiet time and cuts the block there', () => {
    const blocks = run(conditioner({ kind: 'automatic', quietMs: 500 }), new Array<number>(700).fill(0.3), 700);
    expect(blocks.map((entry) => entry.torque.length)).toEqual([500, 200]);
    expect(blocks[0]!.torque[0]).toBe(0.3);
    expect(Math.abs(blocks[1]!.torque[0]!)).toBeLessThan(1e-12);
    expect(blocks[1]!.firstIndex).toBe(500);
    expect(blocks[1]!.startMs).toBe(500);
  });

  it('automatic leaves torque alone: beyond its zone, or moving', () => {
    const held = flat(run(conditioner({ kind: 'automatic', quietMs: 500 }), new Array<number>(2000).fill(5), 100));
    expect(held.every((value) => value === 5)).toBe(true);
    const moving = Array.from({ length: 2000 }, (_, i) => 0.5 * Math.sin(i / 150));
    expect(flat(run(conditioner({ kind: 'automatic', quietMs: 500 }), moving, 100))).toEqual(moving);
  });

  it('on command finds the zero, also far off, and says which', () => {
    const found: unknown[] = [];
    const subject = conditioner({ kind: 'command' }, { onZero: (result) => found.push(result) });
    subject.step(block(new Array<number>(10).fill(7)));
    subject.requestZero();
    const after = subject.step(block(new Array<number>(600).fill(7), 10));
    expect(found).toEqual([{ zero: 7 }]);
    expect(after.at(-1)!.torque.at(-1)).toBe(0);
  });

  it('on command is refused while the torque moves', () => {
    const found: { fault?: { code: string } }[] = [];
    const subject = conditioner({ kind: 'command' }, { onZero: (result) => found.push(result as { fault?: { code: string } }) });
    subject.requestZero();
    run(subject, Array.from({ length: 5000 }, (_, i) => 8 * Math.sin(i / 40)), 100);
    expect(found.map((entry) => entry.fault?.code)).toEqual(['ZERO_REFUSED']);
  });

  it('on command is given up when the samples end, and not taken from those that follow', () => {
    const subject = conditioner({ kind: 'command' }, { onZero: () => expect.unreachable() });
    subject.requestZero();
    subject.step(block(new Array<number>(100).fill(7)));
    subject.abandonZero();
    expect(flat(subject.step(block(new Array<number>(2000).fill(7), 0, { epoch: 2 }))).every((value) => value === 7)).toBe(true);
  });

  it('on command is found or refused at the same sample for any split', () => {
    // Still only after the three seconds that it may take.
    const samples = Array.from({ length: 5000 }, (_, i) => (i < 2700 ? 8 * Math.sin(i / 40) : 3));
    const outcome = (cut: number): unknown => {
      const found: unknown[] = [];
      const subject = conditioner({ kind: 'automatic', quietMs: 500 }, { onZero: (result) => found.push('zero' in result ? result.zero : result.fault.code) });
      subject.requestZero();
      return [flat(run(subject, samples, cut)), found];
    };
    const whole = outcome(5000);
    expect(whole).toEqual([samples, ['ZERO_REFUSED']]);
    for (const cut of [1, 100, 333, 2999, 3001]) expect(outcome(cut)).toEqual(whole);
  });

  it('automatic never goes above what may be a cycle', () => {
    const low = new Array<number>(2000).fill(0.3);
    expect(flat(run(conditioner({ kind: 'automatic', quietMs: 500 }, { releaseTorque: 0.15 }), low, 100))).toEqual(low);
    expect(flat(run(conditioner({ kind: 'automatic', quietMs: 500, zone: 5 }, { releaseTorque: 0.15 }), low, 100))).toEqual(low);
  });

  it('automatic does not follow a torque that grows slowly for ever', () => {
    // 0.2 N.m a second on 60 N.m: within each half second as good as still.
    const samples = Array.from({ length: 100_000 }, (_, i) => i / 5000);
    const seen = (cut: number): number[] => flat(run(conditioner({ kind: 'automatic', quietMs: 500 }), samples, cut));
    const torque = seen(1000);
    expect(torque.at(-1)).toBeGreaterThan(20 - 2.4);
    expect(seen(777)).toEqual(torque);
  });

  it('gives the same torque for any split', () => {
    const samples = Array.from({ length: 3000 }, (_, i) => (i > 1200 && i < 1800 ? 20 : 0.2) + 0.01 * Math.sin(i * 1.7));
    const whole = flat(run(conditioner({ kind: 'automatic', quietMs: 300 }), samples, 3000));
    fc.assert(fc.property(fc.integer({ min: 1, max: 900 }), (cut) => {
      expect(flat(run(conditioner({ kind: 'automatic', quietMs: 300 }), samples, cut))).toEqual(whole);
    }), { numRuns: 40 });
    expect(whole[500]).not.toBe(samples[500]);
  });

  it('takes the unit that the device names', () => {
    const [only] = conditioner({ kind: 'fixed', offset: 0 }).step(block([150], 0, { unit: 'cN.m' }));
    expect(only!.torque[0]).toBe(1.5);
    expect(only!.conditioning.unit).toBe('cN.m');
  });

  it('makes a gap where the device changes its unit: a trace has one', () => {
    const subject = conditioner({ kind: 'fixed', offset: 0 });
    const gaps = (['N.m', 'N.m', 'cN.m', 'cN.m'] as const).map((unit, i) => subject.step(block([150], i, { unit }))[0]!.gap);
    expect(gaps).toEqual(['connected', null, 'settings', null]);
  });
});
