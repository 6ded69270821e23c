/** The physical sensor on a channel. */
import * as z from 'zod';
import type { CalibrationCurve } from './sample-block.ts';
import { BridgeSettings } from './signal.ts';
import { convertTorque } from './units.ts';

export const CalibrationCurveSchema = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('none') }),
  z.strictObject({ kind: z.literal('factor'), factor: z.number().refine((value) => value !== 0, { message: 'must not be 0' }) }),
  z.strictObject({ kind: z.literal('polynomial'), coefficients: z.array(z.number()).min(2).max(8).describe('c0, c1, c2 … of the indicated torque.') }),
  z.strictObject({
    kind: z.literal('points'),
    points: z.array(z.tuple([z.number(), z.number()])).min(2).max(64)
      .refine((points) => points.every((point, i) => i === 0 || point[0] > points[i - 1]![0]), { message: 'indicated values must increase' })
      .refine((points) => new Set(points.slice(1).map((point, i) => Math.sign(point[1] - points[i]![1]))).size === 1, { message: 'true values must rise all the way, or fall all the way' })
      .describe('Pairs [indicated, true], torques. They must reach the capacity both ways, or the one way that is captured.'),
    beyond: z.enum(['refuse', 'flag']).default('refuse')
      .describe('Where the table does not reach the capacity: refuse these settings, or extend the last segment and give each reading from there the flag beyond-calibration.'),
  }),
]);
export type CalibrationCurveSettings = z.infer<typeof CalibrationCurveSchema>;

/** A curve between torques of the channel's unit as one between N.m. */
export function curveNm(curve: CalibrationCurveSettings, unit: string): CalibrationCurve {
  const factor = convertTorque(1, unit, 'N.m');
  switch (curve.kind) {
    case 'polynomial': return unit === 'N.m' ? curve : { kind: 'polynomial', coefficients: curve.coefficients.map((one, power) => one * factor ** (1 - power)) };
    case 'points': return { kind: 'points', points: curve.points.map(([indicated, real]) => [convertTorque(indicated, unit, 'N.m'), convertTorque(real, unit, 'N.m')]) };
    default: return curve;
  }
}

const day = z.iso.date();

export const CalibrationSettings = z.strictObject({
  curve: CalibrationCurveSchema.default({ kind: 'none' }),
  certificate: z.string().max(80).default('').describe('Number of the calibration certificate.'),
  date: day.optional(),
  due: day.optional().describe('After this day every reading carries the flag calibration-overdue.'),
  expandedUncertainty: z.number().min(0).optional().describe('Expanded uncertainty of the calibration in per cent of the value.'),
  k: z.number().positive().default(2).describe('Coverage factor of the expanded uncertainty.'),
});

export const TedsSettings = z.strictObject({
  data: z.string().min(1).max(4_096).optional().describe('The bytes in hexadecimal or base64.'),
  from: z.literal('device').optional().describe('In place of data: the driver reads them from the device at each connection, where its options say how. A serial number and a capacity that are given here must then agree.'),
  paged: z.boolean().default(true).describe('true: pages of 32 bytes with a checksum each, as they lie in the memory; false: without the checksums.'),
}).refine((teds) => (teds.data === undefined) !== (teds.from === undefined), { message: 'needs data, or from: device; one of them' });

export const TransducerSettings = z.strictObject({
  teds: TedsSettings.optional().describe('Its electronic data sheet (IEEE 1451.4). Fills what is left out: serialNumber, capacity, bridge, date and due day of the calibration.'),
  serialNumber: z.string().min(1).max(80),
  capacity: z.number().positive().describe('Rated torque.'),
  lowestTorque: z.number().min(0).optional().describe('Below this a reading carries the flag below-range. Default 10 % of capacity is not assumed.'),
  resolution: z.number().positive().optional().describe('Smallest step of the torque; readers round by it.'),
  bridge: BridgeSettings.optional().describe('How it turns torque into signal; needed where the device sends mV/V or counts (`signal`).'),
  calibration: CalibrationSettings.default({ curve: { kind: 'none' }, certificate: '', k: 2 }),
});
export type TransducerSettings = z.infer<typeof TransducerSettings>;

/** Of a transducer whose data sheet the device has not handed out yet. No reading bears them. */
export const UNREAD_SERIAL_NUMBER = 'not read yet';
/** Harmless where a scale is drawn, and a number that nobody types. */
export const UNREAD_CAPACITY = 1 + Number.EPSILON;

/** Rated torque, N.m. Infinity while it was not read yet: then nothing is beyond it, and no torque reaches a share of it. */
export function capacityNm({ capacity }: Pick<TransducerSettings, 'capacity'>, unit: string): number {
  return capacity === UNREAD_CAPACITY ? Number.POSITIVE_INFINITY : convertTorque(capacity, unit, 'N.m');
}
