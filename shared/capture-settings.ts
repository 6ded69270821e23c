/** How a channel turns torque into readings. Everything here is stored with each reading it made. */
import * as z from 'zod';
import { TORQUE_UNITS, convertTorque } from './units.ts';

export const TorqueUnitCode = z.enum(TORQUE_UNITS.map((unit) => unit.ucum) as [string, ...string[]])
  .describe('Torque unit by its UCUM code.');

export const CaptureMode = z.enum(['track', 'peak', 'first-peak', 'pulse']);
export type CaptureMode = z.infer<typeof CaptureMode>;

export const FilterSettings = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('none') }),
  z.strictObject({
    kind: z.literal('butterworth'),
    order: z.union([z.literal(2), z.literal(4)]),
    cutoffHz: z.number().positive(),
  }),
  z.strictObject({ kind: z.literal('cfc'), class: z.union([z.literal(60), z.literal(180), z.literal(600), z.literal(1000)]) }),
]).describe('Low-pass on the torque before capture. One pass, causal; overshoots steps (order 2: 4-5 %, order 4: 11-12 %).');
export type FilterSettings = z.infer<typeof FilterSettings>;

/** Torques in the unit of the settings, times in ms. A value left out follows from capacity, target and sample rate (`capture/defaults.ts`). */
export const DetectorSettings = z.strictObject({
  armTorque: z.number().positive().optional().describe('A cycle begins when the magnitude reaches this torque.'),
  releaseTorque: z.number().positive().optional().describe('A cycle ends when the magnitude stays below this torque.'),
  releaseMs: z.number().min(0).max(60_000).optional().describe('How long it must stay below, ms.'),
  minDurationMs: z.number().min(0).max(60_000).optional().describe('A shorter application is a knock, not a cycle, ms.'),
  maxDurationMs: z.number().positive().max(600_000).optional().describe('A longer one is interrupted, ms; one of 16 million samples too.'),
  preRollMs: z.number().min(0).max(10_000).optional().describe('Samples kept from before the cycle, ms.'),
  clickFloor: z.number().positive().optional().describe('No click is looked for below this torque.'),
  clickDepth: z.number().gt(0).lt(1).optional().describe('Least fall at a click, as a share of the torque before it.'),
  clickFallMs: z.number().positive().max(1_000).optional().describe('Longest fall at a click, ms.'),
  clickConfirmMs: z.number().positive().max(1_000).optional().describe('How long the fall must stay arrested, ms.'),
});
export type DetectorSettings = z.infer<typeof DetectorSettings>;

export const TrackSettings = z.strictObject({
  averageMs: z.number().min(0).max(60_000).default(100).describe('A track reading is the mean over this long, ms; 0: one sample.'),
  stableMs: z.number().positive().max(600_000).nullable().default(1000).describe('Taken by itself when still for so long, ms; null: only on command.'),
  stableBand: z.number().positive().optional().describe('Still means within a band of this height, a torque.'),
});
export type TrackSettings = z.infer<typeof TrackSettings>;

export const PulseSettings = z.strictObject({
  value: z.enum(['highest', 'mean-of-last']).default('highest').describe('Which torque of a run-down is the reading.'),
  last: z.number().int().min(1).max(1_000).default(5).describe('How many pulses the mean of the last ones is of.'),
  gapMs: z.number().min(20).max(10_000).default(250).describe('A run-down is over when it stayed released for so long, ms.'),
  standsOut: z.number().min(0.05).max(0.95).default(0.25).describe('A pulse stands out of the torque before and after it by this share of the highest so far.'),
});
export type PulseSettings = z.infer<typeof PulseSettings>;

/** Torques in the unit of the settings, as magnitudes in the direction of the cycle. */
export const Limits = z.discriminatedUnion('kind', [
  z.strictObject({ kind: z.literal('none') }),
  z.strictObject({ kind: z.literal('absolute'), target: z.number().positive(), low: z.number().min(0), high: z.number().positive() })
    .refine((limits) => limits.low <= limits.target && limits.target <= limits.high, { message: 'low ≤ target ≤ high is needed' }),
  z.strictObject({ kind: z.literal('percent'), target: z.number().positive(), minus: z.number().min(0).max(100), plus: z.number().min(0) }),
]);
export type Limits = z.infer<typeof Limits>;

export const CaptureSettings = z.strictObject({
  mode: CaptureMode.describe('How a cycle becomes a reading.'),
  unit: TorqueUnitCode.default('N.m').describe('Unit of the readings and of every torque here: limits, detector, track.'),
  direction: z.enum(['cw', 'ccw', 'both']).default('both').describe('Cycles in the other direction are not captured.'),
  filter: FilterSettings.default({ kind: 'none' }),
  limits: Limits.default({ kind: 'none' }),
  holdMs: z.number().min(0).max(86_400_000).nullable().default(0).describe('How long a reading is held before the channel arms again, ms; null: until armed by hand.'),
  detector: DetectorSettings.default({}),
  track: TrackSettings.default({ averageMs: 100, stableMs: 1000 }),
  pulse: PulseSettings.prefault({}),
});
export type CaptureSettings = z.infer<typeof CaptureSettings>;

/** The same settings with every torque in another unit. */
export function captureIn(unit: string, settings: CaptureSettings): CaptureSettings {
  if (unit === settings.unit) return settings;
  const converted = (torque: number): number => convertTorque(torque, settings.unit, unit);
  const { limits, detector, track } = settings;
  const torques = (['armTorque', 'releaseTorque', 'clickFloor'] as const)
    .flatMap((name) => (detector[name] === undefined ? [] : [[name, converted(detector[name])] as const]));
  return {
    ...settings, unit,
    limits: limits.kind === 'none' ? limits
      : limits.kind === 'percent' ? { ...limits, target: converted(limits.target) }
        : { ...limits, target: converted(limits.target), low: converted(limits.low), high: converted(limits.high) },
    detector: { ...detector, ...Object.fromEntries(torques) },
    track: track.stableBand === undefined ? track : { ...track, stableBand: converted(track.stableBand) },
  };
}
