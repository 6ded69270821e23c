/**
 * Impulse tools: half sines of 3 to 10 ms from zero, 10 to 40 a second, each higher than the one before until the joint
 * is tight (common practice of hydraulic impulse tools; the figures are our own choice).
 */
import { record, type Applied, type Named } from './channel.ts';
import { drawBench } from './draws.ts';
import { factsOf, STEP_S } from './pull.ts';
import type { HardPulse, HardRecord } from './record.ts';
import type { SeededRandom } from '../random.ts';

export interface PulsePlan {
  readonly widthsS: readonly number[];
  readonly heights: readonly number[];
  readonly periodsS: readonly number[];
}

/** Torque of a run-down, and its pulses in s from its start. */
export function pulseTrain(plan: PulsePlan): { torque: Float64Array; pulses: HardPulse[] } {
  const pulses: HardPulse[] = [];
  let t = 0;
  plan.heights.forEach((height, i) => {
    pulses.push({ atS: t + plan.widthsS[i]! / 2, height, widthS: plan.widthsS[i]! });
    t += plan.periodsS[i]!;
  });
  const last = pulses.at(-1)!;
  const torque = new Float64Array(Math.ceil((last.atS + last.widthS / 2) / STEP_S) + 3);
  for (const { atS, height, widthS } of pulses) {
    const from = atS - widthS / 2;
    for (let k = Math.ceil(from / STEP_S); k * STEP_S <= from + widthS; k++) torque[k] = height * Math.sin((Math.PI * (k * STEP_S - from)) / widthS);
  }
  return { torque, pulses };
}

const RATES = [2000, 5000, 10_000, 20_000, 50_000];

function drawRun(mode: 'peak' | 'pulse', named: Named, random: SeededRandom): HardRecord {
  const { capacity, rateHz } = drawBench(random, RATES);
  const count = random.integer(5, 40);
  const final = capacity * random.between(0.3, 0.85);
  const hz = random.between(10, 40);
  const widthS = random.between(0.003, 0.01);
  const first = random.between(0.25, 0.7);
  const tau = count * random.between(0.2, 0.6);
  const plan: PulsePlan = {
    widthsS: Array.from({ length: count }, () => widthS * random.between(0.9, 1.1)),
    heights: Array.from({ length: count }, (_, i) => final * (1 - (1 - first) * Math.exp(-i / tau)) * (1 + 0.01 * random.normal())),
    periodsS: Array.from({ length: count }, () => random.between(0.93, 1.07) / hz),
  };
  const { torque, pulses } = pulseTrain(plan);
  const atS = random.between(0.4, 0.8);
  const facts = factsOf(torque, null);
  // A crest between two samples: the nearest one is at most half a spacing away, where the sine has fallen by so much.
  const missed = facts.maximum * (1 - Math.cos((Math.PI * 0.5) / rateHz / Math.min(...plan.widthsS)));
  const one: Applied = {
    atS, sign: random.happens(0.2) ? -1 : 1, torque, facts: { ...facts, slope: missed * rateHz, maximumSlope: missed * rateHz }, click: null,
    pulses: pulses.map((pulse) => ({ ...pulse, atS: pulse.atS + atS })),
  };
  const signed = { ...one, pulses: one.pulses!.map((pulse) => ({ ...pulse, height: one.sign * pulse.height })) };
  return record(named, {
    rateHz, capacity, bits: random.integer(14, 18), sigma: capacity * random.betweenLog(0.0001, 0.001), settings: { mode },
    lastsS: atS + torque.length * STEP_S + random.between(1.2, 1.6),
  }, [signed], random);
}

export const pulsePeak = (named: Named, random: SeededRandom): HardRecord => drawRun('peak', named, random);
export const pulseCount = (named: Named, random: SeededRandom): HardRecord => drawRun('pulse', named, random);
