/** What goes wrong on a line, how often and when. */
import * as z from 'zod';

const share = z.number().min(0).max(1).default(0);

export const FaultPlan = z.strictObject({
  seed: z.number().int().default(1),
  lines: z.strictObject({
    lostShare: share.describe('Share of lines that never leave.'),
    duplicatedShare: share.describe('Share of lines that come twice.'),
  }).prefault({}),
  chunks: z.strictObject({
    splitShare: share.describe('Share of writes that are cut in two anywhere, the second part sent later.'),
    mergeShare: share.describe('Share of writes that wait for the next one.'),
  }).prefault({}),
  bits: z.strictObject({
    flippedShare: share.describe('Share of writes in which one bit, anywhere, is turned over.'),
  }).prefault({}),
  garbage: z.strictObject({
    share: share.describe('Share of writes before which random bytes come.'),
    maxBytes: z.number().int().min(1).max(65_536).default(16),
  }).prefault({}),
  timeline: z.array(z.discriminatedUnion('kind', [
    z.strictObject({ kind: z.literal('stall'), atS: z.number().min(0), forS: z.number().positive() }),
    z.strictObject({ kind: z.literal('unplug'), atS: z.number().min(0), forS: z.number().positive().nullable().describe('null: for good.') }),
  ])).max(1_000).default([]),
  repeatS: z.number().positive().nullable().default(null).describe('The timeline begins again after this long.'),
});
export type FaultPlan = z.infer<typeof FaultPlan>;
