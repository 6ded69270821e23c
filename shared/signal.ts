/**
 * Instruments that send the signal of the bridge instead of a torque: mV/V, or counts of a converter. What the signal
 * means is known in two places, the amplifier (settings of the channel) and the transducer (its calibration sheet);
 * together they give one plain description of the way from a device value to torque, kept with each trace.
 */
import * as z from 'zod';

const positive = z.number().positive();

export const SignalSettings = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('torque') }),
  z.strictObject({ kind: z.literal('mV/V') }),
  z.strictObject({ kind: z.literal('mV'), excitation: positive.describe('Excitation of the bridge, V.') }),
  z.strictObject({
    kind: z.literal('counts'),
    fullScaleCounts: positive.describe('Counts at full scale.'),
    fullScale: positive.describe('Signal at full scale, mV/V.'),
    zeroCounts: z.number().default(0).describe('Counts at no signal; half the range where the device sends no negative numbers.'),
  }),
  z.strictObject({
    kind: z.literal('converter'),
    fullScaleCounts: positive.describe('Counts at the reference voltage, for example 8388608 (2 to the 23rd) for 24 bits with a sign.'),
    gain: positive.describe('Gain before the converter.'),
    reference: positive.default(1).describe('Reference of the converter, V; as much as the excitation where it is taken from it.'),
    excitation: positive.default(1).describe('Excitation of the bridge, V.'),
    zeroCounts: z.number().default(0).describe('Counts at no signal.'),
  }),
]);
export type SignalSettings = z.infer<typeof SignalSettings>;

/** How a transducer turns torque into signal, from its calibration sheet: by one sensitivity, or by a polynomial. */
export const BridgeSettings = z.strictObject({
  ratedTorque: positive.optional().describe('Torque at which the sensitivity is given.'),
  sensitivity: z.number().refine((value) => value !== 0, 'must not be 0').optional().describe('Signal at rated torque, mV/V, without the zero balance.'),
  polynomial: z.array(z.number()).min(2).max(8).optional()
    .describe('Instead of both: torque from the signal in mV/V less the zero balance, as c0, c1, c2 …'),
  zeroBalance: z.number().default(0).describe('Signal without torque, mV/V.'),
}).superRefine(({ ratedTorque, sensitivity, polynomial }, context) => {
  const fault = (name: string, message: string): void => context.addIssue({ code: 'custom', path: [name], message });
  if (polynomial !== undefined) {
    if (sensitivity !== undefined) fault('sensitivity', 'a polynomial stands beside it; one of the two is allowed');
    if (ratedTorque !== undefined) fault('ratedTorque', 'belongs to a sensitivity, not to a polynomial');
    return;
  }
  if (sensitivity === undefined) fault('sensitivity', 'needed is a number of mV/V, or a polynomial instead');
  if (ratedTorque === undefined) fault('ratedTorque', 'needed is the torque at which the sensitivity is given');
});
export type BridgeSettings = z.infer<typeof BridgeSettings>;

/** torque = sum of coefficients[i] * s^i, s = device * millivoltsPerVolt - offset; torque in the unit of the channel. */
export interface SignalScale {
  /** UCUM code of the device values. */
  readonly unit: 'mV/V' | 'mV' | '{count}';
  /** mV/V of one device value. */
  readonly millivoltsPerVolt: number;
  /** Subtracted, mV/V. */
  readonly offset: number;
  readonly coefficients: readonly number[];
}

export const SignalScaleSchema = z.object({
  unit: z.enum(['mV/V', 'mV', '{count}']), millivoltsPerVolt: z.number(), offset: z.number().describe('mV/V'), coefficients: z.array(z.number()),
}).describe('Torque = sum of coefficients[i] * s^i, s = device value * millivoltsPerVolt - offset.');

/** @returns null where the device sends torque */
export function signalScale(signal: SignalSettings, bridge: BridgeSettings | undefined): SignalScale | null {
  if (signal.kind === 'torque' || bridge === undefined) return null;
  const millivoltsPerVolt = perDeviceValue(signal);
  const zeroCounts = 'zeroCounts' in signal ? signal.zeroCounts : 0;
  return {
    unit: signal.kind === 'mV/V' || signal.kind === 'mV' ? signal.kind : '{count}',
    millivoltsPerVolt,
    offset: bridge.zeroBalance + zeroCounts * millivoltsPerVolt,
    coefficients: bridge.polynomial ?? [0, bridge.ratedTorque! / bridge.sensitivity!],
  };
}

function perDeviceValue(signal: Exclude<SignalSettings, { kind: 'torque' }>): number {
  switch (signal.kind) {
    case 'mV/V': return 1;
    case 'mV': return 1 / signal.excitation;
    case 'counts': return signal.fullScale / signal.fullScaleCounts;
    case 'converter': return (1_000 * signal.reference) / (signal.fullScaleCounts * signal.gain * signal.excitation);
  }
}
