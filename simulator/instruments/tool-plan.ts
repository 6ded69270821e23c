/** Which tool stands on a channel and how it is used: the part of a scenario that makes torque. */
import * as z from 'zod';
import type { SeededRandom } from '../random.ts';
import { pullClickWrench } from '../tools/click-wrench.ts';
import { runClutchDriver } from '../tools/clutch-driver.ts';
import { FALL_SHAPES } from '../tools/curve.ts';
import { pullDialWrench } from '../tools/dial-wrench.ts';
import { ordinaryOperator, type OperatorTraits } from '../tools/operator.ts';
import type { Pull } from '../tools/pull.ts';
import { runPulseTool } from '../tools/pulse-tool.ts';
import { pullSlipScrewdriver } from '../tools/slip-screwdriver.ts';

const span = (low: number, high: number, limit: number) => z.tuple([z.number().min(0).max(limit), z.number().min(0).max(limit)])
  .refine(([from, to]) => from <= to, { message: 'the first must not be greater than the second' })
  .default([low, high]);

const torqueNm = z.number().positive().max(100_000);
const scatterPercent = z.number().min(0).max(20).default(0.8).describe('Standard deviation of the tool from pull to pull.');

export const ToolPlan = z.discriminatedUnion('kind', [
  z.strictObject({
    kind: z.literal('click-wrench'), setNm: torqueNm, scatterPercent,
    freeTravelDeg: z.number().min(0.2).max(10).default(3),
    windUpDeg: span(12, 40, 180).describe('Hand movement up to the click, degrees; free travel over this is the depth of the fall.'),
    travelMs: span(8, 30, 200),
  }),
  z.strictObject({
    kind: z.literal('slip-screwdriver'), setNm: torqueNm, scatterPercent,
    slips: span(1, 3, 20), depthPercent: span(20, 50, 90), fallMs: span(8, 25, 200),
  }),
  z.strictObject({
    kind: z.literal('dial-wrench'), targetNm: torqueNm, scatterPercent, holdS: span(0.8, 2, 60), correctionPercent: z.number().min(0).max(10).default(0.6),
  }),
  z.strictObject({
    kind: z.literal('clutch-driver'), shutOffNm: torqueNm, scatterPercent, prevailingPercent: span(3, 8, 50),
    runDownS: span(0.3, 1, 30), riseMs: span(40, 200, 5_000), shutOffMs: span(3, 15, 200),
  }),
  z.strictObject({
    kind: z.literal('pulse-tool'), finalNm: torqueNm, scatterPercent: scatterPercent.describe('Standard deviation from run-down to run-down; from blow to blow half as much.'),
    blows: span(8, 30, 400), blowsPerS: span(15, 30, 100), widthMs: span(4, 9, 50), firstPercent: span(30, 60, 100).describe('Height of the first blow, per cent of the final one.'),
    residualPercent: z.number().min(0).max(80).default(0).describe('What stays on between the blows.'),
  }),
  z.strictObject({ kind: z.literal('none') }),
]);
export type ToolPlan = z.infer<typeof ToolPlan>;

export const OperatorPlan = z.strictObject({
  riseS: span(0.6, 2, 60),
  tremorPercent: span(0.05, 0.3, 5),
  goesOnShare: z.number().min(0).max(1).default(0.5).describe('Share of clicks after which the hand goes on.'),
  overPercent: span(8, 25, 200).describe('How far it goes on, per cent of the click torque.'),
  easesOffShare: z.number().min(0).max(1).default(0.1),
  hesitatesShare: z.number().min(0).max(1).default(0.15),
  ccwShare: z.number().min(0).max(1).default(0),
});
export type OperatorPlan = z.infer<typeof OperatorPlan>;

function drawOperator(plan: OperatorPlan, random: SeededRandom): OperatorTraits {
  return {
    ...ordinaryOperator(random),
    riseS: Math.max(0.05, random.between(...plan.riseS)),
    tremor: { share: random.between(...plan.tremorPercent) / 100, hz: random.between(8.6, 11.4) },
    atClick: random.happens(plan.goesOnShare) ? { kind: 'go-on', overShare: random.between(...plan.overPercent) / 100 } : { kind: 'stop' },
    easing: random.happens(plan.easesOffShare) ? { at: random.between(0.55, 0.9), depth: random.between(0.03, 0.1), fallS: random.between(0.25, 0.6) } : null,
    hesitation: random.happens(plan.hesitatesShare) ? { at: random.between(0.4, 0.85), lastsS: random.between(0.15, 0.5) } : null,
    direction: random.happens(plan.ccwShare) ? 'ccw' : 'cw',
  };
}

/** The next pull of the tool; null when there is none. `limit`: what nobody exceeds on this transducer, N.m. */
export function drawPull(tool: ToolPlan, operator: OperatorPlan, limit: number, random: SeededRandom): Pull | null {
  if (tool.kind === 'none') return null;
  const traits = drawOperator(operator, random);
  const scattered = (torque: number): number => Math.min(torque * (1 + (tool.scatterPercent / 100) * random.normal()), limit);
  const shape = random.pick(FALL_SHAPES);
  switch (tool.kind) {
    case 'click-wrench':
      return pullClickWrench({
        tripTorque: scattered(tool.setNm), freeTravelDeg: tool.freeTravelDeg, windUpDeg: Math.max(1, random.between(...tool.windUpDeg)),
        travelS: Math.max(0.001, random.between(...tool.travelMs) / 1_000), fallShape: shape,
        ring: { share: random.between(0, 0.2), hz: random.between(25, 80), decayS: random.between(0.008, 0.025) },
      }, traits, random, limit);
    case 'slip-screwdriver': {
      const count = Math.max(1, random.integer(Math.round(tool.slips[0]), Math.round(tool.slips[1])));
      const each = <Value>(make: () => Value): Value[] => Array.from({ length: count }, make);
      return pullSlipScrewdriver({
        slipTorques: each(() => scattered(tool.setNm)), depths: each(() => random.between(...tool.depthPercent) / 100),
        fallsS: each(() => Math.max(0.001, random.between(...tool.fallMs) / 1_000)), fallShape: shape, toothDeg: 36,
      }, traits, random);
    }
    case 'dial-wrench':
      return pullDialWrench({
        target: scattered(tool.targetNm), readingError: 0, holdS: random.between(...tool.holdS), correction: tool.correctionPercent / 100,
      }, traits, random);
    case 'pulse-tool': {
      const count = Math.max(1, random.integer(Math.round(tool.blows[0]), Math.round(tool.blows[1])));
      const final = scattered(tool.finalNm);
      const first = random.between(...tool.firstPercent) / 100;
      const periodS = 1 / Math.max(1, random.between(...tool.blowsPerS));
      const height = (i: number): number => Math.min(limit, final * (1 - (1 - first) * Math.exp((-4 * i) / count)) * (1 + (tool.scatterPercent / 200) * random.normal()));
      return runPulseTool({
        heights: Array.from({ length: count }, (_, i) => height(i)), widthS: Math.min(0.8 * periodS, Math.max(0.001, random.between(...tool.widthMs) / 1_000)), periodS,
        residual: tool.residualPercent / 100, direction: traits.direction,
      });
    }
    case 'clutch-driver':
      return runClutchDriver({
        shutOffTorque: scattered(tool.shutOffNm), prevailing: random.between(...tool.prevailingPercent) / 100,
        runDownS: random.between(...tool.runDownS), riseS: Math.max(0.002, random.between(...tool.riseMs) / 1_000),
        steepening: random.between(1, 1.6), shutOffS: Math.max(0.001, random.between(...tool.shutOffMs) / 1_000), shutOffShape: shape,
        ratchet: random.between(0, 0.015), direction: traits.direction,
      }, random);
  }
}
