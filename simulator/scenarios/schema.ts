/** A scenario file: which virtual instruments there are and what happens on them. Torques in N.m. */
import * as z from 'zod';
import { FaultPlan } from '../faults/fault-plan.ts';
import { LineFormat } from '../instruments/line-format.ts';
import { OperatorPlan, ToolPlan } from '../instruments/tool-plan.ts';
import { SHOWN_UNITS } from '../instruments/units.ts';

const idText = z.string().regex(/^[a-z0-9][a-z0-9-]{0,39}$/, 'use lower-case letters, digits and -, at most 40, not starting with -');
const torqueNm = z.number().positive().max(100_000);

export const SimulatedTransducer = z.strictObject({
  serialNumber: z.string().min(1).max(80),
  capacityNm: torqueNm,
  bits: z.number().int().min(8).max(24).default(16).describe('Converter over -capacity ... +capacity.'),
  noisePercent: z.number().min(0).max(10).default(0.03).describe('Standard deviation, per cent of the capacity.'),
  offsetPercent: z.number().min(-50).max(50).default(0).describe('Zero error, per cent of the capacity.'),
  driftPercentPerHour: z.number().min(-100).max(100).default(0),
  bandwidthHz: z.number().positive().nullable().default(null).describe('-3 dB, a single pole; null: none.'),
  jitterUs: z.number().min(0).max(100_000).default(5).describe('Standard deviation of the sampling instants, microseconds.'),
});

export const SimulatedChannel = z.strictObject({
  title: z.string().max(80),
  unit: z.enum(SHOWN_UNITS as [string, ...string[]]).default('N.m').describe('UCUM code of the values in the lines.'),
  transducer: SimulatedTransducer,
  tool: ToolPlan,
  operator: OperatorPlan.prefault({}),
  pauseS: z.tuple([z.number().min(0.05), z.number().min(0.05)]).refine(([from, to]) => from <= to, { message: 'the first must not be greater than the second' }).default([2, 4]),
  firstPullS: z.number().min(0).default(2),
  pulls: z.number().int().min(0).nullable().default(null).describe('Then rest; null: without end.'),
  suggested: z.strictObject({
    mode: z.enum(['track', 'peak', 'first-peak']),
    target: torqueNm, low: torqueNm, high: torqueNm,
  }).refine((limits) => limits.low <= limits.target && limits.target <= limits.high, { message: 'low ≤ target ≤ high is needed' })
    .describe('How a gateway would judge the tool, N.m.'),
});

export const SimulatedInstrument = z.strictObject({
  id: idText,
  title: z.string().max(80),
  port: z.enum(['pty', 'tcp']).default('pty'),
  baudRate: z.number().int().min(50).max(12_000_000).default(115_200).describe('What a host should set; a pseudo terminal has none.'),
  sampleRateHz: z.number().min(0.1).max(200_000).default(1_000),
  clockErrorPpm: z.number().min(-10_000).max(10_000).default(20).describe('How far the instrument\'s quartz is off.'),
  pace: z.enum(['clock', 'flood']).default('clock').describe('flood: as fast as the port takes the lines.'),
  startsByItself: z.boolean().default(true).describe('false: streams after the start command.'),
  format: LineFormat.prefault({}),
  commands: z.strictObject({
    start: z.string().max(40).nullable().default('START'),
    stop: z.string().max(40).nullable().default('STOP'),
    zero: z.string().max(40).nullable().default('ZERO'),
    identify: z.string().max(40).nullable().default('IDENTIFY'),
    acknowledge: z.string().max(80).default(''),
    unknown: z.string().max(80).default(''),
    identity: z.string().max(200).default(''),
  }).prefault({}),
  faults: FaultPlan.optional(),
  channels: z.array(SimulatedChannel).min(1).max(32),
}).refine((instrument) => instrument.format.columns.every((column) => !column.startsWith('channel-') || Number(column.slice(8)) <= instrument.channels.length), {
  message: 'names a channel that the instrument does not have', path: ['format', 'columns'],
});

export const Scenario = z.strictObject({
  title: z.string().min(1).max(120),
  description: z.string().max(2_000).default(''),
  seed: z.number().int().default(1).describe('The same seed gives the same torques and faults.'),
  instruments: z.array(SimulatedInstrument).min(1).max(64)
    .refine((list) => new Set(list.map((entry) => entry.id)).size === list.length, { message: 'two instruments have the same id' }),
});
export type Scenario = z.infer<typeof Scenario>;
export type SimulatedInstrument = z.infer<typeof SimulatedInstrument>;
export type SimulatedChannel = z.infer<typeof SimulatedChannel>;
