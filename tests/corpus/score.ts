/** Runs the capture code over the corpus of pulls with known truth and scores it by family. */
import { CaptureSettings } from '../../shared/capture-settings.ts';
import { CaptureEngine } from '../../daemon/capture/capture-engine.ts';
import type { CaptureEvent } from '../../daemon/capture/events.ts';
import type { Conditioning, SampleBlock } from '../../shared/sample-block.ts';
import { pullCorpus, type CorpusRecord } from '../../simulator/corpus/index.ts';

const PLAIN: Conditioning = { unit: 'N.m', calibration: { kind: 'none' }, zero: 0, sign: 1 };

export interface Tally {
  records: number;
  cycles: number;
  countedRight: number;
  clicks: number;
  clicksRight: number;
  values: number;
  valuesRight: number;
}

export interface Miss {
  readonly record: CorpusRecord;
  readonly what: string;
}

/** The events of one record in first-peak with the default settings, in blocks of `blockLength`. */
export function captureRecord(record: CorpusRecord, blockLength = 256, input: Partial<CaptureSettings> = {}): CaptureEvent[] {
  const engine = new CaptureEngine({
    settings: CaptureSettings.parse({ mode: 'first-peak', ...input }),
    facts: {
      channel: 'corpus/1', software: 'test', capacity: record.capacity, isSimulated: true,
      transducer: { serialNumber: 'none', capacity: record.capacity, lowestTorque: null, calibrationDue: null, uncertainty: null },
    },
    toWallMs: (monoMs) => monoMs,
  });
  const events: CaptureEvent[] = [];
  for (let at = 0; at < record.samples.length; at += blockLength) {
    const torque = record.samples.slice(at, at + blockLength);
    const block: SampleBlock = {
      channel: 'corpus/1', epoch: 1, firstIndex: at, gap: at === 0 ? 'connected' : null, startMs: (at * 1000) / record.rateHz,
      spacingMs: 1000 / record.rateHz, rateHz: record.rateHz, timeEstimated: false, unit: null, device: torque, status: null,
      torque, conditioning: PLAIN,
    };
    events.push(...engine.step(block));
  }
  events.push(...engine.end('record-ended'));
  return events;
}

/** 0.15 % + slope / sample rate + 4.5 sigma + 1 LSB. */
export function tolerance(record: CorpusRecord, truth: CorpusRecord['cycles'][number]): number {
  return 0.0015 * Math.abs(truth.firstPeakTruth) + Math.abs(truth.slopeNmPerS) / record.rateHz + 4.5 * record.noiseSigma + record.lsb;
}

export function scoreCorpus(records: Iterable<CorpusRecord> = pullCorpus()): { families: Map<string, Tally>; misses: Miss[] } {
  const families = new Map<string, Tally>();
  const misses: Miss[] = [];
  for (const record of records) {
    const tally = families.get(record.family) ?? { records: 0, cycles: 0, countedRight: 0, clicks: 0, clicksRight: 0, values: 0, valuesRight: 0 };
    families.set(record.family, tally);
    tally.records++;
    const seen = captureRecord(record).filter((event) => event.kind === 'captured' || event.kind === 'interrupted');
    tally.cycles += record.cycles.length;
    const wanted = record.cycles.map((cycle) => (cycle.interrupted ? 'interrupted' : 'captured'));
    const isCounted = wanted.length === seen.length && wanted.every((kind, i) => seen[i]!.kind === kind);
    if (!isCounted) {
      misses.push({ record, what: `cycles ${wanted.join()} seen ${seen.map((event) => event.kind + (event.kind === 'interrupted' ? `:${event.reason}` : '')).join()}` });
      continue;
    }
    tally.countedRight += record.cycles.length;
    record.cycles.forEach((truth, i) => {
      const event = seen[i]!;
      if (truth.interrupted || event.kind !== 'captured') return;
      tally.clicks++;
      tally.values++;
      const { capture } = event;
      if (capture.click === truth.click && capture.direction === truth.direction) tally.clicksRight++;
      else misses.push({ record, what: `cycle ${i}: click ${truth.click} at ${truth.clickTorque?.toFixed(3)} seen ${capture.click} ${capture.value.toFixed(3)}` });
      const error = Math.abs(Math.abs(capture.value) - Math.abs(truth.firstPeakTruth));
      if (error <= tolerance(record, truth)) tally.valuesRight++;
      else misses.push({ record, what: `cycle ${i}: value ${capture.value.toFixed(4)} truth ${truth.firstPeakTruth.toFixed(4)} error ${error.toFixed(4)} allowed ${tolerance(record, truth).toFixed(4)}` });
    });
  }
  return { families, misses };
}
