/** Readings, and cycles that gave none. These shapes are stored, announced and printed; see also `wire/`. */
import * as z from 'zod';
import { CaptureMode, TorqueUnitCode } from './capture-settings.ts';
import { FLAG_MEANINGS, type Flag } from './flags.ts';

/** What each verdict means; the table in README.md is made from this. */
export const VERDICT_MEANINGS = {
  within: 'Between the limits; the limits themselves are within.',
  low: 'Below the lower limit.',
  high: 'Above the upper limit.',
  undecided: 'The uncertainty does not allow a decision. Not given yet: this version decides by simple acceptance alone.',
  none: 'No limits are set.',
} as const;
export const Verdict = z.enum(Object.keys(VERDICT_MEANINGS) as [keyof typeof VERDICT_MEANINGS]);
export type Verdict = z.infer<typeof Verdict>;

export const Direction = z.enum(['cw', 'ccw']);
export type Direction = z.infer<typeof Direction>;

export { FLAG_MEANINGS, type Flag } from './flags.ts';
export const FlagSchema = z.enum(Object.keys(FLAG_MEANINGS) as [Flag, ...Flag[]]);

export const Uncertainty = z.object({
  expanded: z.number().min(0).describe('Half width, in the reading\'s unit.'),
  k: z.number().positive(),
});

/** Signed like the value, not rounded. */
export const PulseReading = z.object({
  count: z.number().int().positive(),
  highest: z.number(),
  last: z.number(),
  meanOfLast: z.number(),
  meanOf: z.number().int().positive().describe('Pulses that the mean is of.'),
  durationMs: z.number().min(0).describe('From the first crest to the last.'),
});
export type PulseReading = z.infer<typeof PulseReading>;

/** `value` and `maximum` are signed, counter-clockwise negative, and not rounded. */
export const Reading = z.object({
  type: z.literal('reading'),
  id: z.string(),
  seq: z.number().int().positive().nullable().describe('Place in the store; null before it is stored and in a replay.'),
  source: z.string().nullable().describe('File of a replay, null for a live channel.'),
  channel: z.string(),
  epoch: z.number().int().min(0),
  mode: CaptureMode,
  value: z.number(),
  unit: TorqueUnitCode,
  direction: Direction,
  maximum: z.number(),
  click: z.boolean().optional().describe('Only in first-peak.'),
  pulse: PulseReading.optional().describe('Only in pulse.'),
  zeroCheck: z.literal(true).optional().describe('Taken to see the zero of the unloaded channel; not judged.'),
  startedAt: z.iso.datetime(),
  durationMs: z.number().min(0),
  target: z.number().nullable(),
  low: z.number().nullable(),
  high: z.number().nullable(),
  verdict: Verdict,
  uncertainty: Uncertainty.nullable(),
  sampleRateHz: z.number().positive(),
  cutoffHz: z.number().positive().nullable(),
  flags: z.array(FlagSchema),
  traceId: z.string().nullable(),
});
export type Reading = z.infer<typeof Reading>;

/** Why a cycle gave no reading; the table in README.md is made from this. */
export const INTERRUPT_MEANINGS = {
  'gap': 'Samples are missing inside the cycle: the connection was lost, the instrument fell silent, or samples vanished.',
  'bad-sample': 'The instrument sent something that is no torque.',
  'overload': 'The instrument reported overload instead of a torque.',
  'already-loaded': 'Torque was on before the channel was armed; where the cycle began is unknown.',
  'too-long': 'The cycle lasted longer than `detector.maxDurationMs`.',
  'record-ended': 'The recording or trace ended inside the cycle.',
  'settings-changed': 'The capture settings were changed during the cycle, or the zero by more than the release threshold.',
  'stopped': 'Capturing was stopped during the cycle, by hand or with the gateway.',
} as const;
export type InterruptReason = keyof typeof INTERRUPT_MEANINGS;

/** Why torque that came and went gave no reading; the table in README.md is made from this. */
export const DISMISS_MEANINGS = {
  'too-short': 'A knock: no stretch of it lasted `detector.minDurationMs`, and fewer than three followed each other within 250 ms.',
  'other-direction': 'It went in the other direction than `direction` is set to.',
  'standing': 'The torque crept over the arming threshold and stood still beside it; nothing was pulled.',
  'no-pulse': 'Pulse: nothing stood out of the torque before and after it.',
  'not-taken': 'Track: the torque did not stand still for `track.stableMs`, and nobody took the reading.',
} as const;
export type DismissReason = keyof typeof DISMISS_MEANINGS;

const noReading = {
  source: z.string().nullable(),
  channel: z.string(),
  epoch: z.number().int().min(0),
  mode: CaptureMode,
  direction: Direction,
  unit: TorqueUnitCode,
  maximum: z.number().describe('Highest torque seen, signed; told, never judged.'),
  startedAt: z.iso.datetime(),
  durationMs: z.number().min(0),
};

export const DismissedCycle = z.object({
  type: z.literal('cycle.dismissed'),
  reason: z.enum(Object.keys(DISMISS_MEANINGS) as [DismissReason]),
  ...noReading,
});
export type DismissedCycle = z.infer<typeof DismissedCycle>;

export const InterruptedCycle = z.object({
  type: z.literal('cycle.interrupted'),
  reason: z.enum(Object.keys(INTERRUPT_MEANINGS) as [InterruptReason]),
  ...noReading,
});
export type InterruptedCycle = z.infer<typeof InterruptedCycle>;
