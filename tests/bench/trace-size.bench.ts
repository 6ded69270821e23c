/**
 * (f) Bytes per stored trace against float32. The traces are those of the readings that the channel's pipeline takes
 * from the pulls of `simulator/corpus`, in the decimals in which an instrument with that converter prints its torque.
 */
import { ChannelPipeline } from '../../daemon/pipeline/channel-pipeline.ts';
import { newRecord } from '../../daemon/storage/records.ts';
import { encodeSamples } from '../../daemon/storage/trace-codec.ts';
import { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import { TransducerSettings } from '../../shared/transducer.ts';
import { pullCorpus, type CorpusRecord } from '../../simulator/corpus/index.ts';
import { madeRecord, madeSamples } from '../helpers/made-trace.ts';
import type { BenchLine } from './bench-line.ts';
import { median } from './statistics.ts';

/** Of the corpus every fourth record is taken, so that all families and sample rates are there and it stays quick. */
const EVERY = 4;

interface Size {
  readonly stored: number;
  /** The description from which the reading can be derived again. */
  readonly header: number;
  readonly float32: number;
}

export async function run(): Promise<BenchLine[]> {
  const sizes: Size[] = [];
  let next = 0;
  for (const record of pullCorpus()) {
    if (next++ % EVERY === 0) sizes.push(...tracesOf(record).map(({ reading, trace }) => sizeOf(reading, trace)));
  }
  return [
    line('(f) bytes per stored trace / float32, pulls of the corpus', sizes),
    line('(f) bytes per stored trace / float32, 14 to 16 bits, 0.02 to 0.1 % noise', madeSizes()),
  ];
}

function line(name: string, sizes: readonly Size[]): BenchLine {
  const sum = (of: (size: Size) => number): number => sizes.reduce((total, size) => total + of(size), 0);
  const shares = sizes.map(({ stored, float32 }) => stored / float32);
  return {
    name, ratio: sum(({ stored }) => stored) / sum(({ float32 }) => float32), atMost: 1 / 3,
    detail: `${sizes.length} traces of ${Math.round(sum(({ float32 }) => float32) / 4 / sizes.length)} samples on average; each: median ${median(shares).toFixed(3)}, worst ${Math.max(...shares).toFixed(3)}; `
      + `${(sum(({ stored, header }) => stored + header) / sum(({ float32 }) => float32)).toFixed(3)} with the description that makes them derivable again`,
  };
}

function tracesOf(record: CorpusRecord): { reading: Reading; trace: Trace }[] {
  const found: { reading: Reading; trace: Trace }[] = [];
  const pipeline = new ChannelPipeline({
    channel: 'bench/1', source: null, unit: 'N.m', sign: 1, zero: { kind: 'fixed', offset: 0 }, isSimulated: true, software: 'bench', toWallMs: (ms) => ms,
    transducer: TransducerSettings.parse({ serialNumber: 'HF-0042 (invented)', capacity: record.capacity }),
    capture: CaptureSettings.parse({ mode: 'first-peak' }),
  });
  pipeline.outcomes$.subscribe((outcome) => {
    if (outcome.kind === 'reading') found.push(outcome);
  });
  // No step of the converter is lost in print.
  const decimals = Math.max(0, Math.ceil(-Math.log10(record.lsb)));
  const spacingMs = 1_000 / record.rateHz;
  pipeline.push({
    channel: 'bench/1', epoch: 1, firstIndex: 0, gap: 'connected', startMs: 0, spacingMs, rateHz: record.rateHz, timeEstimated: false, unit: null,
    device: record.samples.map((torque) => Number(torque.toFixed(decimals))), status: null,
  });
  return found;
}

function sizeOf(reading: Reading, trace: Trace): Size {
  return {
    stored: encodeSamples(trace.device, trace.status).length, header: Buffer.byteLength(newRecord(reading, trace).header), float32: trace.device.length * 4,
  };
}

function madeSizes(): Size[] {
  const sizes: Size[] = [];
  for (const bits of [14, 15, 16]) for (const noise of [0.0002, 0.0005, 0.001]) for (const capacity of [10, 25, 60, 100, 250]) for (const seconds of [2, 3, 4]) {
    const device = madeSamples({ rateHz: 1_000, bits, noise, capacity, torque: capacity / 2, seconds }, bits * 1_000 + capacity + seconds);
    const { reading, trace } = madeRecord(1, device);
    sizes.push(sizeOf(reading, trace));
  }
  return sizes;
}
