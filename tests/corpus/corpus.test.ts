import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { rederive } from '../../daemon/capture/rederive.ts';
import { pullCorpus } from '../../simulator/corpus/index.ts';
import { captureRecord, scoreCorpus } from './score.ts';

const records = [...pullCorpus()];

describe('first-peak with its defaults over the corpus of pulls with known truth', () => {
  const { families, misses } = scoreCorpus(records);
  const total = (key: 'cycles' | 'countedRight' | 'clicks' | 'clicksRight' | 'values' | 'valuesRight'): number =>
    [...families.values()].reduce((sum, tally) => sum + tally[key], 0);
  const told = misses.map(({ record, what }) => `${record.id}: ${what}`).join('\n');

  it('has at least 300 pulls in every family named', () => {
    expect(records.length).toBeGreaterThanOrEqual(300);
    expect([...families.keys()].sort()).toEqual(['ccw', 'clean-click', 'clutch', 'cut', 'easing-off', 'faint-click', 'several', 'slip', 'smooth', 'tremor']);
    expect(new Set(records.map((record) => record.rateHz))).toEqual(new Set([200, 500, 1000, 2000, 5000, 10_000, 20_000]));
  });

  it('counts every cycle right', () => {
    expect(total('countedRight'), told).toBe(total('cycles'));
  });

  it('decides at least 98 % of the clicks right', () => {
    expect(total('clicksRight') / total('clicks'), told).toBeGreaterThanOrEqual(0.98);
  });

  it('gives at least 98 % of the values within 0.15 % + slope / rate + 4.5 sigma + 1 LSB', () => {
    expect(total('valuesRight') / total('values'), told).toBeGreaterThanOrEqual(0.98);
  });

  it('does as well on pulls it was not tuned on', () => {
    const other = scoreCorpus(pullCorpus(7));
    const sum = (key: 'cycles' | 'countedRight' | 'clicks' | 'clicksRight' | 'values' | 'valuesRight'): number =>
      [...other.families.values()].reduce((all, tally) => all + tally[key], 0);
    expect(sum('countedRight')).toBe(sum('cycles'));
    expect(sum('clicksRight') / sum('clicks')).toBeGreaterThanOrEqual(0.98);
    expect(sum('valuesRight') / sum('values')).toBeGreaterThanOrEqual(0.98);
  });

  it('gives the same for any block length, and again from the stored trace', () => {
    const sample = new Map(records.filter((record, i) => i % 9 === 0 && record.rateHz <= 5000).map((record) => [record.id, record]));
    fc.assert(fc.property(fc.constantFrom(...sample.keys()), fc.integer({ min: 1, max: 3000 }), (id, blockLength) => {
      const record = sample.get(id)!;
      const readings = captureRecord(record, blockLength).filter((event) => event.kind === 'captured');
      expect(readings).toEqual(captureRecord(record).filter((event) => event.kind === 'captured'));
      for (const { capture, trace } of readings) expect(rederive(trace)).toEqual(capture);
    }), { numRuns: 40 });
  });
});
