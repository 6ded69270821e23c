import { beforeAll, describe, expect, it } from 'vitest';
import { CORPUS_RATES_HZ, FAMILIES, pullCorpus, recordToCsv, type CorpusRecord } from '../../../simulator/corpus/index.ts';

describe('the corpus of pulls with known truth', () => {
  let records: CorpusRecord[];
  beforeAll(() => {
    records = [...pullCorpus()];
  });
  const of = (family: string): CorpusRecord[] => records.filter((record) => record.family === family);

  it('has at least 320 records over all families, rates, resolutions and noises', () => {
    expect(records.length).toBeGreaterThanOrEqual(320);
    expect(new Set(records.map((record) => record.id)).size).toBe(records.length);
    for (const family of FAMILIES) {
      expect(of(family).length).toBeGreaterThanOrEqual(28);
      expect(new Set(of(family).map((record) => record.rateHz))).toEqual(new Set(CORPUS_RATES_HZ));
    }
    for (const record of records) {
      const bits = Math.log2((2 * record.capacity) / record.lsb);
      expect(bits).toBe(Math.round(bits));
      expect(bits).toBeGreaterThanOrEqual(14);
      expect(bits).toBeLessThanOrEqual(18);
      expect(record.noiseSigma / record.capacity).toBeGreaterThanOrEqual(0.0002 * (1 - 1e-12));
      expect(record.noiseSigma / record.capacity).toBeLessThanOrEqual(0.002 * (1 + 1e-12));
    }
  });

  it('is the same for the same seed, bit for bit', () => {
    const again = pullCorpus();
    for (const record of records.slice(0, 40)) expect(again.next().value).toEqual(record);
    expect(pullCorpus(1).next().value).not.toEqual(records[0]);
  });

  it('has clicks as deep as each family says', () => {
    const depths = (family: string): number[] => of(family).flatMap((record) => record.cycles.filter((cycle) => cycle.click).map((cycle) => cycle.clickDepth));
    for (const family of ['clean-click', 'tremor', 'easing-off', 'ccw', 'several']) {
      expect(Math.min(...depths(family))).toBeGreaterThanOrEqual(0.05);
      expect(Math.max(...depths(family))).toBeLessThanOrEqual(0.35);
    }
    expect(Math.min(...depths('faint-click'))).toBeGreaterThanOrEqual(0.02);
    expect(Math.max(...depths('faint-click'))).toBeLessThanOrEqual(0.03);
    expect(depths('smooth').length + depths('clutch').length).toBe(0);
    expect(depths('slip').length).toBeGreaterThanOrEqual(of('slip').length);
  });

  it('over-torques by tens of per cent in some cycles and never beyond 1.6 times and the capacity', () => {
    const over = of('clean-click').map((record) => record.cycles[0]!.maximumTruth / record.cycles[0]!.firstPeakTruth);
    expect(over.filter((ratio) => ratio > 1.2).length).toBeGreaterThan(8);
    expect(Math.max(...over)).toBeLessThan(1.62);
    for (const record of records) {
      for (const cycle of record.cycles) expect(Math.abs(cycle.maximumTruth)).toBeLessThan(record.capacity);
    }
  });

  it('keeps the truth of click and maximum in the samples, within what sensor and sampling can change', () => {
    for (const record of records) {
      for (const cycle of record.cycles.filter((entry) => !entry.interrupted)) {
        const sign = cycle.direction === 'cw' ? 1 : -1;
        const highest = (fromS: number, toS: number): number => {
          const part = record.samples.subarray(Math.max(0, Math.ceil(fromS * record.rateHz)), Math.ceil(toS * record.rateHz) + 1);
          return part.reduce((top, torque) => Math.max(top, sign * torque), -Infinity);
        };
        expect(sign * cycle.maximumTruth).toBeGreaterThan(0);
        // A converter step, the noise of so many samples, and what one sample interval may hide of a steep edge.
        const allowance = (slope: number): number => 0.0015 * Math.abs(cycle.firstPeakTruth) + 5.5 * record.noiseSigma + record.lsb + slope / record.rateHz;
        if (cycle.click) {
          const near = highest(cycle.startS, cycle.clickAtS! + 1e-3);
          expect(Math.abs(near - sign * cycle.clickTorque!), record.id).toBeLessThanOrEqual(allowance(cycle.slopeNmPerS));
        } else {
          expect(Math.abs(highest(cycle.startS, cycle.endS) - sign * cycle.maximumTruth), record.id).toBeLessThanOrEqual(allowance(cycle.slopeNmPerS));
        }
      }
    }
  });

  it('cuts a cycle in every record of its family while torque is plainly on, and tells nothing it cannot know', () => {
    for (const record of of('cut')) {
      const cut = record.cycles.filter((cycle) => cycle.interrupted);
      expect(cut.length).toBe(1);
      expect(cut[0]).toMatchObject({ click: null, clickTorque: null, clickAtS: null });
      const edge = cut[0]!.startS === 0 ? record.samples[0]! : record.samples.at(-1)!;
      expect(Math.abs(edge)).toBeGreaterThan(0.08 * record.capacity);
    }
    for (const record of records.filter((entry) => entry.family !== 'cut')) expect(record.cycles.some((cycle) => cycle.interrupted)).toBe(false);
  });

  it('rests between cycles, with less than 1 % of the capacity and the noise', () => {
    for (const record of records) {
      const inCycle = new Uint8Array(record.samples.length);
      for (const cycle of record.cycles) {
        inCycle.fill(1, Math.max(0, Math.floor(cycle.startS * record.rateHz) - 1), Math.ceil(cycle.endS * record.rateHz) + 4);
      }
      record.samples.forEach((torque, i) => {
        if (inCycle[i] === 0 && Math.abs(torque) > 0.01 * record.capacity + 6 * record.noiseSigma) expect.fail(`${record.id} at ${i / record.rateHz} s: ${torque}`);
      });
    }
  });

  it('writes a record as a trace file that gives every number back', () => {
    const record = records.find((entry) => entry.rateHz === 500)!;
    const [header, ...rows] = recordToCsv(record).trimEnd().split('\n');
    expect(header).toBe('time_s,torque_Nm');
    expect(rows.map((row) => Number(row.split(',')[1]))).toEqual([...record.samples]);
    expect(Number(rows[250]!.split(',')[0])).toBe(0.5);
  });
});
