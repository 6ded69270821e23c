import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { BridgeSettings, SignalSettings, signalScale } from '../../../shared/signal.ts';
import { torqueOf } from '../../../daemon/conditioning/calibration.ts';

const bridge = BridgeSettings.parse({ ratedTorque: 100, sensitivity: 2 });
const torque = (signal: unknown, device: number, of = bridge, unit = 'N.m'): number => {
  const scale = signalScale(SignalSettings.parse(signal), of)!;
  return torqueOf(Float64Array.of(device), { unit, signal: scale, calibration: { kind: 'none' }, zero: 0, sign: 1 })[0]!;
};

describe('a transducer of 100 N.m and 2 mV/V gives 50 N.m', () => {
  it.each([
    ['at 1 mV/V', { kind: 'mV/V' }, 1],
    ['at 5 mV of an excitation of 5 V', { kind: 'mV', excitation: 5 }, 5],
    ['at half the counts of an amplifier with 2 mV/V full scale', { kind: 'counts', fullScaleCounts: 1_000_000, fullScale: 2 }, 500_000],
    ['of an amplifier without negative numbers', { kind: 'counts', fullScaleCounts: 30_000, fullScale: 3, zeroCounts: 32_768 }, 42_768],
    // 1 mV/V at 5 V is 5 mV; times 128 it is 0.64 V of 2.5 V, 0.256 of 2 to the 23rd.
    ['of a converter with 24 bits, gain 128 and a reference of 2.5 V', { kind: 'converter', fullScaleCounts: 8_388_608, gain: 128, reference: 2.5, excitation: 5 }, 2_147_483.648],
    // With the excitation as reference both cancel.
    ['of a ratiometric converter', { kind: 'converter', fullScaleCounts: 8_388_608, gain: 128 }, 1_073_741.824],
  ])('%s', (_, signal, device) => expect(torque(signal, device)).toBeCloseTo(50, 9));
});

describe('a signal', () => {
  it('loses its zero balance, and keeps the sense of the sensitivity', () => {
    expect(torque({ kind: 'mV/V' }, 1.25, BridgeSettings.parse({ ratedTorque: 100, sensitivity: -2, zeroBalance: 0.25 }))).toBe(-50);
  });

  it('goes through the polynomial of a calibration sheet, in the unit of the channel', () => {
    expect(torque({ kind: 'mV/V' }, 2.1, BridgeSettings.parse({ polynomial: [0.5, 49, 0.25], zeroBalance: 0.1 }), 'cN.m')).toBeCloseTo((0.5 + 98 + 1) / 100, 12);
  });

  it('is the same torque in any form, whatever the amplifier', () => {
    fc.assert(fc.property(fc.double({ min: -3, max: 3, noNaN: true }), fc.double({ min: 1, max: 1_000, noNaN: true }), fc.double({ min: 1, max: 20, noNaN: true }), (mvPerV, gain, volts) => {
      const expected = torque({ kind: 'mV/V' }, mvPerV);
      const near = (value: number): void => expect(Math.abs(value - expected)).toBeLessThan(1e-9 * (1 + Math.abs(expected)));
      near(torque({ kind: 'mV', excitation: volts }, mvPerV * volts));
      near(torque({ kind: 'counts', fullScaleCounts: 65_536 * gain, fullScale: 3 }, (mvPerV / 3) * 65_536 * gain));
      near(torque({ kind: 'converter', fullScaleCounts: 2 ** 23, gain, reference: 2.5, excitation: volts }, ((mvPerV * volts * gain) / 2_500) * 2 ** 23));
    }));
  });

  it('of a device that sends torque is none', () => expect(signalScale({ kind: 'torque' }, bridge)).toBeNull());
});

describe('a bridge is refused', () => {
  it.each([
    ['without the torque of its sensitivity', { sensitivity: 2 }, 'ratedTorque'],
    ['without any', {}, 'sensitivity'],
    ['with two ways from signal to torque', { ratedTorque: 100, sensitivity: 2, polynomial: [0, 50] }, 'sensitivity'],
    ['without output', { ratedTorque: 100, sensitivity: 0 }, 'sensitivity'],
  ])('%s', (_, input, path) => expect(BridgeSettings.safeParse(input).error?.issues.map((issue) => issue.path.join('.'))).toContain(path));
});
