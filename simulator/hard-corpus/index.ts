/**
 * Hard pulls with known truth, from a model of its own: it shares the generator of chance with the rest of the
 * simulator and nothing else, so that a mistake in one model does not pass in the other.
 */
import { SeededRandom } from '../random.ts';
import { bits12, clipping, idleDrift, jitter, lowRange, offset, rate100, rate50k, standingSteps } from './families-channel.ts';
import { cleanClick, deepClick, doubleClick, hardJoint, preloadOtherWay, ringing, smooth, softJoint } from './families-clicks.ts';
import {
  backToBack, bounce, cutByRecord, missingClick, partialApproach, ratchetStrokes, softKnee, staircase, tremorClick, tremorSmooth, veryFast, verySlow,
} from './families-hands.ts';
import { drift, humClick, humHidesClick, humSmooth, pinkClick, pinkSmooth } from './families-noise.ts';
import { pulseCount, pulsePeak } from './families-pulse.ts';
import { spikeAfter, spikeOnRamp, spikeOnRampSlow, spikeOnTop, spikeOnTopPeak, spikeOnTopSlow } from './families-spikes.ts';
import type { HardRecord } from './record.ts';
import type { FamilyDraw } from './timeline.ts';

export type { Expected, HardCycle, HardPulse, HardRecord, HardSettings } from './record.ts';

const DRAWS = {
  'clean-click': cleanClick,
  'smooth': smooth,
  'hum-click': humClick,
  'hum-smooth': humSmooth,
  'hum-hides-click': humHidesClick,
  'spike-on-ramp': spikeOnRamp,
  'spike-on-ramp-slow': spikeOnRampSlow,
  'spike-on-top': spikeOnTop,
  'spike-on-top-peak': spikeOnTopPeak,
  'spike-on-top-slow': spikeOnTopSlow,
  'deep-click': deepClick,
  'offset': offset,
  'preload-other-way': preloadOtherWay,
  'pulse-peak': pulsePeak,
  'pulse-count': pulseCount,
  'pink-click': pinkClick,
  'pink-smooth': pinkSmooth,
  'drift': drift,
  'spike-after': spikeAfter,
  'double-click': doubleClick,
  'partial-approach': partialApproach,
  'ratchet-strokes': ratchetStrokes,
  'very-slow': verySlow,
  'very-fast': veryFast,
  'soft-knee': softKnee,
  'clipping': clipping,
  'low-range': lowRange,
  'rate-100': rate100,
  'rate-50k': rate50k,
  'bits-12': bits12,
  'jitter': jitter,
  'ringing': ringing,
  'bounce': bounce,
  'back-to-back': backToBack,
  'hard-joint': hardJoint,
  'soft-joint': softJoint,
  'staircase': staircase,
  'standing-steps': standingSteps,
  'cut-by-record': cutByRecord,
  'idle-drift': idleDrift,
  'missing-click': missingClick,
  'tremor-click': tremorClick,
  'tremor-smooth': tremorSmooth,
} as const satisfies Record<string, FamilyDraw>;

export type HardFamily = keyof typeof DRAWS;
export const HARD_FAMILIES = Object.keys(DRAWS) as HardFamily[];

/** The draw that figures may be tuned on. */
export const TUNING_SEED = 31_415;
/** The draw that nobody looks at while tuning. */
export const UNSEEN_SEED = 27_182;

export interface HardCorpusOptions {
  readonly seed: number;
  /** All of them when left out. */
  readonly family?: HardFamily;
  /** Records in each family. */
  readonly count?: number;
}

export function* hardCorpus({ seed, family, count = 200 }: HardCorpusOptions): Generator<HardRecord, void, undefined> {
  for (const name of family ? [family] : HARD_FAMILIES) {
    for (let index = 0; index < count; index++) yield hardRecord(seed, name, index);
  }
}

/** The seed of a record comes from seed, family and index alone: families and records can be added without moving others. */
export function hardRecord(seed: number, family: HardFamily, index: number): HardRecord {
  const own = recordSeed(seed, family, index);
  return DRAWS[family]({ family, index, seed: own }, new SeededRandom(own));
}

/** FNV-1a (public domain) over the family's name, then over seed and index. */
function recordSeed(seed: number, family: string, index: number): number {
  let hash = 0x811c9dc5;
  const take = (byte: number): void => {
    hash = Math.imul(hash ^ (byte & 0xff), 0x01000193) >>> 0;
  };
  for (let i = 0; i < family.length; i++) take(family.charCodeAt(i));
  for (const word of [seed, index]) for (let shift = 0; shift < 32; shift += 8) take(word >>> shift);
  return hash;
}
