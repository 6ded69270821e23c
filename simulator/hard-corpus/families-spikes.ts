/** Families of samples that are no torque: lone spikes before, on and after a pull. */
import type { SeededRandom } from '../random.ts';
import { record, type Spike } from './channel.ts';
import { drawBench, drawClick, drawSigma, drawSmooth, lastsS, RATES_HZ, type Bench, type Done } from './draws.ts';
import { STEP_S } from './pull.ts';
import type { HardSettings } from './record.ts';
import { applied, type FamilyDraw } from './timeline.ts';

/** From this rate on a lone sample can be told from torque: no click and no hand moves so much in 2 ms and back. */
export const LEAST_RATE_HZ = 500;
const SLOW_RATES = [100, 200, 300, 400];

interface SpikePlan {
  readonly rates: readonly number[];
  readonly settings: HardSettings;
  readonly isLost: boolean;
  readonly spikes: (bench: Bench, done: Done, atS: number, random: SeededRandom) => Spike[];
}

function spiked(plan: SpikePlan): FamilyDraw {
  return (named, random) => {
    const bench = drawBench(random, plan.rates, [0.3, 0.75]);
    const done = random.happens(0.7) ? drawClick(bench, random, { depth: [0.06, 0.35], after: bench.rateHz < 300 ? 'stay' : 'any' }) : drawSmooth(bench, random);
    const atS = random.between(0.4, 0.8);
    const spikes = plan.spikes(bench, done, atS, random);
    return record(named, {
      rateHz: bench.rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: drawSigma(bench, random, [done]),
      settings: plan.settings, spikes, lastsS: atS + lastsS(done) + random.between(0.9, 1.4),
    }, [applied(done, atS, { isLost: plan.isLost })], random);
  };
}

const sign = (random: SeededRandom): number => random.pick([-1, 1]);

/** The first moment at which torque is at `share` of the first peak, s from the start of the pull. */
function reaches(done: Done, share: number): number {
  return done.torque.findIndex((value) => value >= share * done.facts.firstPeak) * STEP_S;
}

function onRamp(bench: Bench, done: Done, atS: number, random: SeededRandom): Spike[] {
  return [{ atS: atS + reaches(done, random.between(0.2, 0.95)), by: bench.capacity * random.betweenLog(0.05, 0.6) * sign(random), samples: 1 }];
}

/** Where it adds to what is near the highest torque. */
function onTop(bench: Bench, done: Done, atS: number, random: SeededRandom): Spike[] {
  const at = random.happens(0.5) ? done.facts.maximumAtS : (done.facts.clickAtS ?? done.facts.maximumAtS);
  return [{ atS: atS + Math.max(0, at + random.between(-0.03, 0.03)), by: bench.capacity * random.betweenLog(0.05, 0.6), samples: 1 }];
}

/**
 * At rest after the release: a lone sample from the very end of the pull on, or 0.15 s later a burst of two or three
 * (nearer, a burst could be torque of the pull).
 */
function afterwards(bench: Bench, done: Done, atS: number, random: SeededRandom): Spike[] {
  const samples = random.pick([1, 1, 1, 2, 3]);
  const at = atS + lastsS(done) + (samples === 1 ? random.betweenLog(0.002, 0.7) : random.between(0.15, 0.7));
  return [{ atS: at, by: bench.capacity * random.between(0.05, 0.9) * sign(random), samples }];
}

const firstPeak: HardSettings = { mode: 'first-peak' };

export const spikeOnRamp = spiked({ rates: RATES_HZ, settings: firstPeak, isLost: false, spikes: onRamp });
/** Below 500 S/s a lone sample may be a click of a fast tool: a flag is demanded. */
export const spikeOnRampSlow = spiked({ rates: SLOW_RATES, settings: firstPeak, isLost: true, spikes: onRamp });
export const spikeOnTop = spiked({ rates: RATES_HZ, settings: firstPeak, isLost: false, spikes: onTop });
export const spikeOnTopPeak = spiked({ rates: RATES_HZ, settings: { mode: 'peak' }, isLost: false, spikes: onTop });
export const spikeOnTopSlow = spiked({ rates: SLOW_RATES, settings: { mode: 'peak' }, isLost: true, spikes: onTop });
export const spikeAfter = spiked({ rates: RATES_HZ, settings: firstPeak, isLost: false, spikes: afterwards });
