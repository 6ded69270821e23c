/**
 * Pulls with known truth, for judging a capture method. Every record is drawn from one seed; the truth of each cycle
 * is read from the noise-free physics, never from a detector.
 */
import { SeededRandom } from '../random.ts';
import { SampleTimes, Sensor } from '../sensor/sensor.ts';
import { fallen } from '../tools/curve.ts';
import { truthOf } from '../tools/pull.ts';
import { drawPulls, FAMILIES, FAMILY_SIZES, type Bench, type DrawnPull, type Family } from './families.ts';
import type { CorpusCycle, CorpusRecord } from './record.ts';

export const CORPUS_RATES_HZ = [200, 500, 1_000, 2_000, 5_000, 10_000, 20_000] as const;
const CAPACITIES = [1.5, 4, 10, 25, 60, 150, 400, 1_000] as const;

/** All records of a seed, family by family; the same ones every time. */
export function* pullCorpus(seed = 20_261): Generator<CorpusRecord, void, undefined> {
  const seeds = new SeededRandom(seed);
  for (const family of FAMILIES) {
    for (let i = 0; i < FAMILY_SIZES[family]; i++) {
      yield corpusRecord(family, i, seeds.word());
    }
  }
}

interface Placed extends DrawnPull {
  readonly atS: number;
}
interface Touch {
  readonly atS: number;
  readonly lastsS: number;
  readonly torque: number;
}

function corpusRecord(family: Family, index: number, seed: number): CorpusRecord {
  const random = new SeededRandom(seed);
  const capacity = random.pick(CAPACITIES);
  const bench: Bench = { capacity, rateHz: CORPUS_RATES_HZ[index % CORPUS_RATES_HZ.length]!, set: capacity * random.between(0.2, 0.95) };
  const pulls = drawPulls(family, bench, random);
  const { placed, touches, endS } = place(pulls, capacity, random);
  const [fromS, toS] = family === 'cut' ? cutWindow(placed, endS, capacity, random) : [0, endS];

  const noiseSigma = noiseOf(pulls, bench, random);
  const bits = random.integer(14, 18);
  const sensor = new Sensor({
    capacity, bits, noiseSigma, offset: 0, driftPerS: 0, bandwidthHz: Math.min(bench.rateHz * random.between(0.5, 2), 10_000),
  }, random.fork(1));
  const times = new SampleTimes(bench.rateHz, random.between(-50, 50), random.between(0, 10e-6), random.fork(2));
  const samples = new Float64Array(Math.floor((toS - fromS) * bench.rateHz));
  for (let i = 0; i < samples.length; i++) {
    const t = times.next();
    samples[i] = sensor.read(torqueOn(placed, touches, fromS + t), t);
  }
  return {
    id: `${family}-${String(index + 1).padStart(3, '0')}`, family, seed, rateHz: bench.rateHz, capacity, noiseSigma, lsb: sensor.lsb, samples,
    cycles: placed.flatMap((entry) => cycleOf(entry, fromS, toS)),
  };
}

/** Rest, pull, rest, pull ... rest; in some rests the tool is handled, with less than 0.8 % of the capacity. */
function place(pulls: readonly DrawnPull[], capacity: number, random: SeededRandom): { placed: Placed[]; touches: Touch[]; endS: number } {
  const placed: Placed[] = [];
  const touches: Touch[] = [];
  let t = 0;
  const rest = (lastsS: number): void => {
    if (random.happens(0.3)) {
      touches.push({ atS: t + 0.1 * lastsS, lastsS: 0.6 * lastsS, torque: capacity * random.between(-0.008, 0.008) });
    }
    t += lastsS;
  };
  rest(random.between(0.3, 0.8));
  for (const drawn of pulls) {
    placed.push({ ...drawn, atS: t });
    t += drawn.pull.durationS;
    rest(random.between(0.5, 1.2));
  }
  return { placed, touches, endS: t };
}

function torqueOn(placed: readonly Placed[], touches: readonly Touch[], t: number): number {
  for (const { pull, atS } of placed) {
    if (t > atS && t < atS + pull.durationS) return pull.torqueAt(t - atS);
  }
  for (const touch of touches) {
    const x = (t - touch.atS) / touch.lastsS;
    if (x > 0 && x < 1) return touch.torque * fallen('cosine', 1 - Math.abs(2 * x - 1));
  }
  return 0;
}

/** Between 0.02 and 0.2 % of the capacity, but every click's fall is 5 sigma deep, 6 at 500 S/s and below: less is lost in the noise. */
function noiseOf(pulls: readonly DrawnPull[], bench: Bench, random: SeededRandom): number {
  const sigmas = bench.rateHz <= 500 ? 6 : 5;
  const falls = pulls.filter(({ truth }) => truth.click).map(({ truth }) => Math.abs(truth.firstPeak) * truth.clickDepth);
  const most = Math.min(0.002 * bench.capacity, ...falls.map((fall) => fall / sigmas));
  return random.betweenLog(0.0002 * bench.capacity, most);
}

/** Begins or ends the record while a good part of the torque is on, so that anybody would say the cycle is cut. */
function cutWindow(placed: readonly Placed[], endS: number, capacity: number, random: SeededRandom): [number, number] {
  const isLoaded = ({ pull, truth }: Placed, t: number): boolean =>
    Math.abs(pull.torqueAt(t)) > Math.max(0.1 * capacity, 0.4 * Math.abs(truth.maximum));
  const inside = (entry: Placed): number => {
    let t: number;
    do t = random.next() * entry.pull.durationS;
    while (!isLoaded(entry, t));
    return entry.atS + t;
  };
  return random.happens(0.5) ? [inside(placed[0]!), endS] : [0, inside(placed.at(-1)!)];
}

function cycleOf({ pull, truth, direction, atS }: Placed, fromS: number, toS: number): CorpusCycle[] {
  const startS = atS - fromS;
  const endS = startS + pull.durationS;
  const lengthS = toS - fromS;
  if (endS <= 0 || startS >= lengthS) return [];
  if (startS >= 0 && endS <= lengthS) {
    return [{
      startS, endS, direction, interrupted: false, click: truth.click, clickTorque: truth.clickTorque,
      clickAtS: truth.clickAtS === null ? null : startS + truth.clickAtS, firstPeakTruth: truth.firstPeak,
      maximumTruth: truth.maximum, slopeNmPerS: truth.slope, clickDepth: truth.clickDepth,
    }];
  }
  const seen = truthOf({ ...pull, clickAtS: null }, Math.max(0, -startS), Math.min(pull.durationS, lengthS - startS));
  return [{
    startS: Math.max(0, startS), endS: Math.min(lengthS, endS), direction, interrupted: true, click: null, clickTorque: null, clickAtS: null,
    firstPeakTruth: seen.maximum, maximumTruth: seen.maximum, slopeNmPerS: seen.slope, clickDepth: 0,
  }];
}
