/**
 * (a) The channel's pipeline (conditioning, capture, judgement, in blocks of 256) against a plain loop of the same
 * arithmetic. Both take turns on the same samples and find the same peaks, or the bench fails. Processor time
 * of the process (waste collection too), so that other work on the machine counts for neither.
 */
import { ChannelPipeline, type Outcome } from '../../daemon/pipeline/channel-pipeline.ts';
import { CaptureSettings, type FilterSettings } from '../../shared/capture-settings.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import { TransducerSettings } from '../../shared/transducer.ts';
import type { BenchLine } from './bench-line.ts';
import { plainPeaks, type PlainSettings } from './plain-loop.ts';
import { CAPACITY, pullSignal } from './signal.ts';
import { median } from './statistics.ts';

const BLOCK = 256;
const TURNS = 12;
const WARM_TURNS = 2;
/** 51 200 samples. */
const STRETCH_BLOCKS = 200;
const FACTOR = 1.0004;
const ZERO = 0.013;
const ARM = 1.2;
const RELEASE = 0.6;
const RELEASE_MS = 40;
const PRE_ROLL_MS = 250;

type Mode = 'peak' | 'first-peak';

interface Case {
  readonly what: string;
  readonly rateHz: number;
  readonly mode: Mode;
  readonly device: Float64Array;
}

interface Result {
  /** From the fastest turn of every stretch: the arithmetic is the same in each turn, other work only adds to it. */
  readonly ratio: number;
  readonly medianRatio: number;
  readonly pipelineMps: number;
  readonly plainMps: number;
  readonly readings: number;
}

export async function run(): Promise<BenchLine[]> {
  const fast = pullSignal(20_000, 60);
  const slow = pullSignal(1_000, 1_200);
  const main: Case = { what: 'pulls and pauses, 20 kS/s, peak, order 2', rateHz: 20_000, mode: 'peak', device: fast };
  const cases: Case[] = [
    { ...main, what: 'the same at 1 kS/s', rateHz: 1_000, device: slow },
    { ...main, what: 'first-peak, 20 kS/s', mode: 'first-peak' },
    { ...main, what: 'first-peak, 1 kS/s', mode: 'first-peak', rateHz: 1_000, device: slow },
    { ...main, what: 'idle alone, 20 kS/s', device: idle(20_000, 60) },
    { ...main, what: 'in the cycle alone, peak, 20 kS/s', device: inCycle(20_000, 52) },
    { ...main, what: 'in the cycle alone, first-peak, 1 kS/s', mode: 'first-peak', rateHz: 1_000, device: inCycle(1_000, 1_040) },
  ];
  const first = measure(main);
  const firstPeak = measure({ ...main, what: 'in the cycle alone, first-peak, 20 kS/s', mode: 'first-peak', device: inCycle(20_000, 52) });
  const told = (result: Result): string =>
    `${result.pipelineMps.toFixed(0)} against ${result.plainMps.toFixed(0)} million samples/s, fastest of ${TURNS} turns per stretch; from the medians ${result.medianRatio.toFixed(3)}; ${result.readings} readings`;
  return [
    { name: `(a) channel pipeline / plain loop: ${main.what}`, ratio: first.ratio, atLeast: 0.4, detail: told(first) },
    { name: '(a) channel pipeline / 25 million samples per second', ratio: first.pipelineMps / 25, atLeast: 1, detail: `${first.pipelineMps.toFixed(0)} million samples/s of processor time` },
    { name: '(a) channel pipeline / plain loop: in the cycle alone, first-peak, 20 kS/s', ratio: firstPeak.ratio, atLeast: 0.2, detail: told(firstPeak) },
    ...cases.map((each) => {
      const result = measure(each);
      return { name: `    ${each.what}`, ratio: result.ratio, detail: told(result) };
    }),
  ];
}

/** Both do stretch after stretch in turns: stretches are short, so that most of them run without being disturbed. */
function measure(each: Case): Result {
  const blocks = blocksOf(each.device, each.rateHz);
  const cutoffHz = each.rateHz / 20;
  const filter: FilterSettings = { kind: 'butterworth', order: 2, cutoffHz };
  const settings: PlainSettings = {
    gain: FACTOR, zero: ZERO, cutoffHz, rateHz: each.rateHz, arm: ARM, release: RELEASE, capacity: CAPACITY,
    releaseSamples: (RELEASE_MS * each.rateHz) / 1_000, preRoll: (PRE_ROLL_MS * each.rateHz) / 1_000,
  };
  const values = throughPipeline(blocks, each.mode, filter);
  if (each.mode === 'peak') assertSame(values, plainPeaks(each.device, settings), each.what);
  const stretches = Math.floor(blocks.length / STRETCH_BLOCKS);
  const plainS = Array.from({ length: stretches }, (): number[] => []);
  const pipelineS = Array.from({ length: stretches }, (): number[] => []);
  // One pipeline for all turns, as a station has one for years; each turn begins with the gap of a new connection.
  const pipeline = makePipeline(each.mode, filter);
  for (let turn = -WARM_TURNS; turn < TURNS; turn++) {
    for (let i = 0; i < stretches; i++) {
      const from = i * STRETCH_BLOCKS;
      const device = each.device.subarray(from * BLOCK, (from + STRETCH_BLOCKS) * BLOCK);
      const plainTook = timed(() => plainPeaks(device, settings));
      const pipelineTook = timed(() => {
        for (let block = from; block < from + STRETCH_BLOCKS; block++) pipeline.push(blocks[block]!);
      });
      if (turn < 0) continue;
      plainS[i]!.push(plainTook);
      pipelineS[i]!.push(pipelineTook);
    }
  }
  const total = (seconds: readonly number[][], of: (turns: readonly number[]) => number): number => seconds.reduce((sum, turns) => sum + of(turns), 0);
  const fastest = (turns: readonly number[]): number => Math.min(...turns);
  const mps = (seconds: number): number => (stretches * STRETCH_BLOCKS * BLOCK) / seconds / 1e6;
  return {
    ratio: total(plainS, fastest) / total(pipelineS, fastest), medianRatio: total(plainS, median) / total(pipelineS, median),
    plainMps: mps(total(plainS, fastest)), pipelineMps: mps(total(pipelineS, fastest)), readings: values.length,
  };
}

function makePipeline(mode: Mode, filter: FilterSettings): ChannelPipeline {
  return new ChannelPipeline({
    channel: 'bench/1', source: null, unit: 'N.m', sign: 1, zero: { kind: 'fixed', offset: ZERO }, isSimulated: true, software: 'bench', toWallMs: (ms) => ms,
    transducer: TransducerSettings.parse({ serialNumber: 'HF-0042 (invented)', capacity: CAPACITY, calibration: { curve: { kind: 'factor', factor: FACTOR } } }),
    capture: CaptureSettings.parse({ mode, filter, detector: { armTorque: ARM, releaseTorque: RELEASE, releaseMs: RELEASE_MS, minDurationMs: 0 } }),
  });
}

function throughPipeline(blocks: readonly DeviceBlock[], mode: Mode, filter: FilterSettings): number[] {
  const values: number[] = [];
  const pipeline = makePipeline(mode, filter);
  pipeline.outcomes$.subscribe((outcome: Outcome) => {
    if (outcome.kind === 'reading') values.push(outcome.reading.value);
  });
  for (const block of blocks) pipeline.push(block);
  return values;
}

function blocksOf(device: Float64Array, rateHz: number): DeviceBlock[] {
  const spacingMs = 1_000 / rateHz;
  const blocks: DeviceBlock[] = [];
  for (let at = 0; at < device.length; at += BLOCK) {
    blocks.push({
      channel: 'bench/1', epoch: 1, firstIndex: at, gap: at === 0 ? 'connected' : null, startMs: at * spacingMs, spacingMs, rateHz,
      timeEstimated: false, unit: null,
      // The same memory for both: a live block was written a moment ago too.
      device: device.subarray(at, at + BLOCK), status: null,
    });
  }
  return blocks;
}

/** Rest with the sensor's noise. */
function idle(rateHz: number, seconds: number): Float64Array {
  const rest = pullSignal(rateHz, 1).subarray(0, Math.floor(0.9 * rateHz));
  return Float64Array.from({ length: rateHz * seconds }, (_, i) => rest[i % rest.length]!);
}

/** Pulls of five seconds with a fifth of a second between them: slow swings between 20 and 40 N.m, with noise. */
function inCycle(rateHz: number, seconds: number): Float64Array {
  const isPulled = (i: number): boolean => (i / rateHz) % 5.2 > 0.2;
  return idle(rateHz, seconds).map((noise, i) => (isPulled(i) ? 30 - 10 * Math.cos((2 * Math.PI * 0.4 * i) / rateHz) + noise : noise));
}

function assertSame(values: readonly number[], peaks: readonly number[], what: string): void {
  const isSame = values.length === peaks.length && values.every((value, i) => Math.abs(value - peaks[i]!) <= 1e-9 * Math.abs(value));
  if (!isSame) throw new Error(`${what}: the pipeline found ${values.length} peaks (${values.slice(0, 5).join(', ')} …), the plain loop ${peaks.length} (${peaks.slice(0, 5).join(', ')} …)`);
}

/** Seconds of processor time. */
function timed(work: () => unknown): number {
  const before = process.cpuUsage();
  work();
  const { user, system } = process.cpuUsage(before);
  return (user + system) / 1e6;
}
