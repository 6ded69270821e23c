/** Readings, and cycles that gave none. These shapes are stored, announced and printed; see also `wire/`. */
import * as z from 'zod';
import { CaptureMode, TorqueUnitCode } from './capture-settings.ts';
import { FLAG_MEANINGS, type Flag } from './flags.ts';

export const Verdict = z.enum(['within', 'low', 'high', 'undecided', 'none']);
export type Verdict = z.infer<typeof Verdict>;

export const Direction = z.enum(['cw', 'ccw']);
export type Direction = z.infer<typeof Direction>;

export { FLAG_MEANINGS, type Flag } from './flags.ts';
export const FlagSchema = z.enum(Object.keys(FLAG_MEANINGS) as [Flag, ...Flag[]]);

export const Uncertainty = z.object({
  expanded: z.number().min(0).describe('Half width, in the reading\'s unit.'),
  k: z.number().positive(),
});

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

export const INTERRUPT_REASONS = [
  'gap', 'bad-sample', 'overload', 'already-loaded', 'too-long', 'record-ended', 'settings-changed', 'stopped',
] as const;
export type InterruptReason = (typeof INTERRUPT_REASONS)[number];

export const InterruptedCycle = z.object({
  type: z.literal('cycle.interrupted'),
  source: z.string().nullable(),
  channel: z.string(),
  epoch: z.number().int().min(0),
  mode: CaptureMode,
  reason: z.enum(INTERRUPT_REASONS),
  direction: Direction,
  unit: TorqueUnitCode,
  maximum: z.number().describe('Highest torque seen, signed; told, never judged.'),
  startedAt: z.iso.datetime(),
  durationMs: z.number().min(0),
});
export type InterruptedCycle = z.infer<typeof InterruptedCycle>;
