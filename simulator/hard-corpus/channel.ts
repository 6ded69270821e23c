/** From torque on the drive to the samples of a channel, and the truth that goes with them. */
import type { SeededRandom } from '../random.ts';
import { addWhite, humAt, humCrest, largestFall, pinkNoise, type Hum } from './noise.ts';
import { STEP_S, type PullFacts } from './pull.ts';
import type { Expected, HardCycle, HardPulse, HardRecord, HardSettings } from './record.ts';
import { CALM_SHARE, canSeeClick, FALL_WINDOW_S } from './rules.ts';

/** Converters show somewhat more than the nominal range (common practice: 110 to 130 %). */
export const RANGE_SHARE = 1.25;

/** As the gateway numbers it. */
const OVERLOAD = 1;

/** A torque put on the drive at a time. */
export interface Applied {
  readonly atS: number;
  readonly sign: 1 | -1;
  /** Magnitudes on the grid of STEP_S. */
  readonly torque: Float64Array;
  readonly facts: PullFacts;
  readonly click: boolean | null;
  readonly expected?: Expected;
  readonly isClean?: boolean;
  /** Known to be undecidable, whatever the noise. */
  readonly isLost?: boolean;
  readonly pulses?: readonly HardPulse[];
}

/** One sample, or a few, that are no torque. */
export interface Spike {
  readonly atS: number;
  /** Added, N.m. */
  readonly by: number;
  readonly samples: number;
}

export interface Channel {
  readonly rateHz: number;
  readonly capacity: number;
  readonly bits: number;
  readonly sigma: number;
  /** End of the converter's range as a share of the capacity; RANGE_SHARE when left out. */
  readonly rangeShare?: number;
  /** The instrument reports overload with each sample at the end of its range. */
  readonly reportsOverload?: boolean;
  readonly hum?: Hum | null;
  readonly pinkSigma?: number;
  /** Standing torque, offset and drift, N.m. */
  readonly offsetAt?: (t: number) => number;
  /** Standard deviation of the moment a sample is taken, share of the spacing. */
  readonly jitter?: number;
  readonly spikes?: readonly Spike[];
  readonly settings: HardSettings;
  /** What part of the timeline is recorded, s. */
  readonly fromS?: number;
  readonly lastsS: number;
}

export interface Named {
  readonly family: string;
  readonly index: number;
  readonly seed: number;
}

/** Tremor rides on the torque and is in the truth already; what of it falls is its swing within the window. */
export function record(named: Named, channel: Channel, applied: readonly Applied[], random: SeededRandom, tremorFall = 0): HardRecord {
  const { rateHz, capacity, sigma, jitter = 0, hum = null, pinkSigma = 0, fromS = 0 } = channel;
  const count = Math.floor((channel.lastsS - fromS) * rateHz);
  const noise = random.fork(1);
  const pink = pinkSigma > 0 ? pinkNoise(count, rateHz, pinkSigma, random.fork(2)) : null;
  const times = random.fork(3);
  const samples = new Float64Array(count);
  const at = (i: number): number => fromS + i / rateHz;
  const late = jitter === 0 ? null : Float64Array.from({ length: count }, () => (jitter * Math.max(-3, Math.min(3, times.normal()))) / rateHz);
  for (const one of applied) addTorque(samples, one, rateHz, fromS, late);
  if (channel.offsetAt) for (let i = 0; i < count; i++) samples[i]! += channel.offsetAt(at(i));
  if (hum) for (let i = 0; i < count; i++) samples[i]! += humAt(hum, at(i) + (late?.[i] ?? 0));
  if (pink) for (let i = 0; i < count; i++) samples[i]! += pink[i]!;
  addWhite(samples, sigma, noise);
  for (const spike of channel.spikes ?? []) {
    const first = Math.round((spike.atS - fromS) * rateHz);
    for (let i = first; i < Math.min(count, first + spike.samples); i++) samples[i]! += spike.by;
  }
  const range = (channel.rangeShare ?? RANGE_SHARE) * capacity;
  const lsb = quantise(samples, range, channel.bits);
  const end = range - lsb;
  const status = channel.reportsOverload ? Uint8Array.from(samples, (value) => (Math.abs(value) >= end ? OVERLOAD : 0)) : null;

  const pinkFall = pink ? largestFall(pink, rateHz, FALL_WINDOW_S) : 0;
  const humFall = hum ? 2 * humCrest(hum) : 0;
  let pinkCrest = 0;
  if (pink) for (const value of pink) pinkCrest = Math.max(pinkCrest, Math.abs(value));
  const swing = (hum ? humCrest(hum) : 0) + pinkCrest;
  const cycles = applied.map((one) => cycleOf(one, channel, { fall: pinkFall + humFall + tremorFall, drifting: pinkFall, swing }));
  return {
    id: `${named.family}-${String(named.index + 1).padStart(3, '0')}`, family: named.family, seed: named.seed,
    rateHz, capacity, noiseSigma: sigma, lsb, samples, status, settings: channel.settings, cycles: cycles.filter((cycle) => cycle.endS > 0),
  };
}

function addTorque(samples: Float64Array, { atS, sign, torque }: Applied, rateHz: number, fromS: number, late: Float64Array | null): void {
  const first = Math.max(0, Math.ceil((atS - fromS) * rateHz));
  const last = Math.min(samples.length - 1, Math.floor((atS - fromS + (torque.length - 2) * STEP_S) * rateHz));
  for (let i = first; i <= last; i++) {
    const place = (i / rateHz + (late?.[i] ?? 0) + fromS - atS) / STEP_S;
    const k = Math.floor(place);
    if (k < 0 || k + 1 >= torque.length) continue;
    samples[i]! += sign * (torque[k]! + (place - k) * (torque[k + 1]! - torque[k]!));
  }
}

/** @returns the step */
function quantise(samples: Float64Array, range: number, bits: number): number {
  const lsb = (2 * range) / 2 ** bits;
  const highest = 2 ** (bits - 1) - 1;
  for (let i = 0; i < samples.length; i++) {
    samples[i] = lsb * Math.max(-highest - 1, Math.min(highest, Math.round(samples[i]! / lsb)));
  }
  return lsb;
}

interface Nuisance {
  readonly fall: number;
  /** The part of it that is no steady tone: without a click it may look like one. */
  readonly drifting: number;
  readonly swing: number;
}

function cycleOf(one: Applied, channel: Channel, nuisance: Nuisance): HardCycle {
  const { facts, sign, atS, torque } = one;
  const { rateHz, sigma, fromS = 0, offsetAt = () => 0, lastsS } = channel;
  const firstAt = atS + (facts.clickAtS ?? facts.maximumAtS);
  // No value beyond the end of the converter can be read.
  const end = (channel.rangeShare ?? RANGE_SHARE) * channel.capacity;
  const signed = (magnitude: number, t: number): number => Math.max(-end, Math.min(end, sign * magnitude + offsetAt(t)));
  const isSeen = one.click
    ? canSeeClick(facts.depth * facts.firstPeak, facts.belowS, rateHz, sigma, nuisance.fall)
    : nuisance.drifting <= CALM_SHARE * facts.maximum;
  const isFirstPeak = channel.settings.mode === 'first-peak';
  return {
    startS: Math.max(0, atS - fromS), endS: Math.min(lastsS, atS + torque.length * STEP_S) - fromS, direction: sign > 0 ? 'cw' : 'ccw',
    expected: one.expected ?? 'reading', click: one.click,
    clickTorque: facts.clickTorque === null ? null : signed(facts.clickTorque, firstAt),
    clickAtS: facts.clickAtS === null ? null : atS + facts.clickAtS - fromS,
    firstPeakTruth: signed(facts.firstPeak, firstAt), maximumTruth: signed(facts.maximum, atS + facts.maximumAtS),
    slopeNmPerS: isFirstPeak ? facts.slope : facts.maximumSlope, clickDepth: facts.depth, swing: nuisance.swing,
    decidable: !one.isLost && (isSeen || !isFirstPeak), isClean: one.isClean ?? false,
    ...(one.pulses ? { pulses: one.pulses } : {}),
  };
}
