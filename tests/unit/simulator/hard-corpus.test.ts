import { describe, expect, it } from 'vitest';
import { HARD_FAMILIES, hardCorpus, hardRecord, type HardFamily } from '../../../simulator/hard-corpus/index.ts';
import { addWhite, largestFall, pinkNoise } from '../../../simulator/hard-corpus/noise.ts';
import { factsOf, pull } from '../../../simulator/hard-corpus/pull.ts';
import { SeededRandom } from '../../../simulator/random.ts';

const SEED = 99;
const some = (family: HardFamily, count = 12) => [...hardCorpus({ seed: SEED, family, count })];

/** Straight pieces between [index, value], one value per 0.1 ms. */
function pieces(...corners: [number, number][]): Float64Array {
  const out = new Float64Array(corners.at(-1)![0] + 1);
  for (let c = 1; c < corners.length; c++) {
    const [[from, low], [to, high]] = [corners[c - 1]!, corners[c]!];
    for (let i = from; i <= to; i++) out[i] = low + ((high - low) * (i - from)) / (to - from);
  }
  return out;
}

describe('the truth of a pull', () => {
  it('is what one computes by hand', () => {
    // To 100 in 0.1 s, by 20 down within 10 ms, 30 ms there, up to 110 within 30 ms.
    const facts = factsOf(pieces([0, 0], [1000, 100], [1100, 80], [1400, 80], [1700, 110], [2000, 0]), 0.0995);
    expect(facts.clickTorque).toBe(100);
    expect(facts.clickAtS).toBeCloseTo(0.1, 9);
    expect(facts.maximum).toBe(110);
    expect(facts.maximumAtS).toBeCloseTo(0.17, 9);
    expect(facts.slope).toBeCloseTo(1000, 6);
    expect(facts.maximumSlope).toBeCloseTo(1000, 6);
    expect(facts.depth).toBeCloseTo(0.2, 9);
    expect(facts.fallS).toBeCloseTo(0.009, 3);
    expect(facts.belowS).toBeCloseTo(0.06, 3);
  });

  it('trips at the torque that is set and loses what the mechanism gives', () => {
    const { torque, trippedAt } = pull({
      strokes: [{ to: 130, lastsS: 1.3, shape: 'line' }], trips: [{ torque: 100, gives: 20, travelS: 0.01 }], afterTrip: 0,
      reaction: [{ to: 105, lastsS: 0.05, shape: 'line' }, { to: 105, lastsS: 0.5, shape: 'line' }, { to: 0, lastsS: 0.1, shape: 'line' }],
      modeHz: 200, damping: 0.8, tremor: { share: 0, hz: 10, phase: 0 },
    });
    // The mode follows a ramp late by 2 d / w: 1.3 ms.
    expect(trippedAt).toHaveLength(1);
    expect(trippedAt[0]).toBeCloseTo(1.0013, 3);
    const facts = factsOf(torque, trippedAt[0]!);
    expect(facts.clickTorque).toBeGreaterThanOrEqual(100);
    expect(facts.clickTorque).toBeLessThan(100.5);
    expect(torque[Math.round((trippedAt[0]! + 0.3) / 1e-4)]).toBeCloseTo(85, 6);
  });
});

describe('noise', () => {
  it('has the sigma that was asked for', () => {
    const white = new Float64Array(50_000);
    addWhite(white, 2, new SeededRandom(3));
    const pink = pinkNoise(50_000, 1000, 2, new SeededRandom(5));
    const sigma = (values: Float64Array): number => Math.sqrt(values.reduce((sum, value) => sum + value * value, 0) / values.length);
    expect(Math.abs(sigma(white) / 2 - 1)).toBeLessThan(0.03);
    expect(Math.abs(sigma(pink) / 2 - 1)).toBeLessThan(0.25);
  });

  it('falls at most by what lies within the window', () => {
    expect(largestFall(Float64Array.of(5, 3, 4, 0, 6, 6), 1000, 0.001)).toBe(4);
    expect(largestFall(Float64Array.of(5, 3, 4, 0, 6, 6), 1000, 0.003)).toBe(5);
  });
});

describe('the hard corpus', () => {
  it('gives the same record for seed, family and index, whatever else is drawn', () => {
    const all = some('hum-click', 3);
    expect(hardRecord(SEED, 'hum-click', 2)).toEqual(all[2]);
    expect(hardRecord(SEED + 1, 'hum-click', 2).samples).not.toEqual(all[2]!.samples);
  });

  it.each(HARD_FAMILIES)('%s: has finite truths within its record', (family) => {
    for (const record of some(family, 4)) {
      const lengthS = record.samples.length / record.rateHz;
      expect(record.samples.every(Number.isFinite)).toBe(true);
      expect(record.cycles.length).toBeGreaterThan(0);
      for (const { startS, endS, firstPeakTruth, maximumTruth, slopeNmPerS } of record.cycles) {
        expect(startS).toBeLessThan(endS);
        expect(endS).toBeLessThanOrEqual(lengthS + 1e-3);
        for (const value of [firstPeakTruth, maximumTruth, slopeNmPerS]) expect(Number.isFinite(value)).toBe(true);
      }
    }
  });

  it('draws hum of 0.2 to 1 % of the capacity, as measured at rest', () => {
    for (const { samples, rateHz, capacity, noiseSigma, lsb, cycles: [cycle] } of some('hum-smooth')) {
      let crest = 0;
      for (let i = 0; i < 0.3 * rateHz; i++) crest = Math.max(crest, Math.abs(samples[i]!));
      expect(crest).toBeLessThanOrEqual(cycle!.swing + 5 * noiseSigma + lsb);
      expect(cycle!.swing / capacity).toBeGreaterThanOrEqual(0.002);
      expect(cycle!.swing / capacity).toBeLessThanOrEqual(0.013);
    }
  });

  it('draws as many pulses as it says, of 3 to 10 ms', () => {
    for (const { samples, cycles: [cycle] } of some('pulse-peak')) {
      const least = 0.15 * Math.abs(cycle!.maximumTruth);
      const seen = samples.reduce((count, value, i) => count + (Math.abs(value) >= least && Math.abs(samples[i - 1] ?? 0) < least ? 1 : 0), 0);
      expect(seen).toBe(cycle!.pulses!.length);
      for (const { widthS } of cycle!.pulses!) expect(widthS > 0.0026 && widthS < 0.0111).toBe(true);
    }
  });

  it('draws deep clicks that fall to 3 to 14 % of the torque', () => {
    for (const { samples, rateHz, noiseSigma, lsb, cycles: [cycle] } of some('deep-click')) {
      const at = Math.round(cycle!.clickAtS! * rateHz);
      const lowest = Math.min(...samples.slice(at, at + 0.04 * rateHz).map(Math.abs));
      const share = lowest / Math.abs(cycle!.clickTorque!);
      const slack = (4.5 * noiseSigma + lsb) / Math.abs(cycle!.clickTorque!) + 0.05;
      expect(share).toBeLessThanOrEqual(0.14 + slack);
      expect(cycle!.clickDepth).toBeGreaterThanOrEqual(0.86);
      expect(cycle!.clickDepth).toBeLessThanOrEqual(0.97);
    }
  });
});
