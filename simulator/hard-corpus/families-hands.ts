/** Families of what hands do: slow and fast pulls, hesitation, strokes, approaches, both directions, records cut in a pull. */
import type { SeededRandom } from '../random.ts';
import { record, type Applied, type Channel, type Named } from './channel.ts';
import { drawBench, drawClick, drawSigma, drawSmooth, lastsS, type Bench, type Done } from './draws.ts';
import { factsOf, STEP_S, type Stroke } from './pull.ts';
import type { HardRecord } from './record.ts';
import { CLEAR_OF_NUISANCE } from './rules.ts';
import { applied, several, single, type FamilyDraw } from './timeline.ts';

export const verySlow: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [200, 500, 1000, 2000]);
  const riseS: [number, number] = [8, 25];
  const done = random.happens(0.7) ? drawClick(bench, random, { riseS, after: bench.rateHz < 500 ? 'stay' : 'any' }) : drawSmooth(bench, random, { riseS });
  return single(named, random, bench, done);
};

/** From rest to the click in 60 to 200 ms. */
export const veryFast: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [1000, 2000, 4000, 8000, 20_000]);
  const riseS: [number, number] = [0.06, 0.2];
  const done = random.happens(0.7)
    ? drawClick(bench, random, { riseS, travelS: [0.003, 0.012], modeHz: [100, 250], rise: 'line', depth: [0.08, 0.4] })
    : drawSmooth(bench, random, { riseS, modeHz: [100, 250] });
  return single(named, random, bench, done);
};

/** Physiological tremor, 8 to 12 Hz, 0.3 to 1 % of the torque; a stop on the way in half of them. */
function trembling(random: SeededRandom): { share: number; hz: number; before: Stroke[] } {
  const at = random.between(0.3, 0.8);
  const before: Stroke[] = random.happens(0.5)
    ? [{ to: at, lastsS: random.between(0.4, 1.2), shape: 'ease' }, { to: at, lastsS: random.between(0.2, 0.8), shape: 'line' }]
    : [];
  return { share: random.between(0.003, 0.01), hz: random.between(8, 12), before };
}

export const tremorClick: FamilyDraw = (named, random) => {
  const bench = drawBench(random);
  const { share, hz, before } = trembling(random);
  const least = Math.max(0.05, CLEAR_OF_NUISANCE * 2.1 * share);
  const done = drawClick(bench, random, { tremorShare: share, tremorHz: hz, before, depth: [least, 0.35], riseS: [0.6, 3] });
  return single(named, random, bench, done, {}, {}, 2 * share * done.facts.firstPeak);
};

export const tremorSmooth: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.2, 0.85]);
  const { share, hz, before } = trembling(random);
  return single(named, random, bench, drawSmooth(bench, random, { tremorShare: share, tremorHz: hz, before, riseS: [0.6, 3] }));
};

/** The wrench is not pulled as far as its setting: no click, and the hand lets go in 60 to 500 ms. */
export const missingClick: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.2, 0.85]);
  return single(named, random, bench, drawSmooth(bench, random, { releaseS: [0.06, 0.5], riseS: [0.3, 2] }), {}, { isClean: bench.rateHz >= 1000 });
};

/** Torque rises more slowly before the click: the joint yields, or the hand grows careful. */
export const softKnee: FamilyDraw = (named, random) => {
  const bench = drawBench(random);
  return single(named, random, bench, drawClick(bench, random, { knee: random.betweenLog(0.08, 0.5), riseS: [0.4, 1.5] }));
};

/** 40 to 70 % of the way, back to a part of it over 0.2 to 0.8 s, and on to the click: one cycle. Or fully back: two. */
export const partialApproach: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.7]);
  const high = random.between(0.4, 0.7);
  if (random.happens(0.5)) {
    const low = Math.max(0.1, high * random.between(0.2, 0.7));
    const before: Stroke[] = [
      { to: high, lastsS: random.between(0.3, 1), shape: 'ease' }, { to: high, lastsS: random.between(0.05, 0.3), shape: 'line' },
      { to: low, lastsS: random.between(0.2, 0.8), shape: 'ease' }, { to: low, lastsS: random.between(0.05, 0.3), shape: 'line' },
    ];
    return single(named, random, bench, drawClick(bench, random, { before, riseS: [0.3, 1.5] }));
  }
  const first = drawSmooth({ ...bench, set: bench.set * high }, random, { riseS: [0.3, 1], releaseS: [0.1, 0.4] });
  return several(named, random, bench, [first, drawClick(bench, random)], {}, {}, [0.12, 0.4]);
};

/** Two to five strokes of a ratchet that stay below the setting, back swings of 0.15 to 0.4 s, then the click. */
export const ratchetStrokes: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [500, 1000, 2000, 4000, 8000], [0.3, 0.7]);
  const strokes = Array.from({ length: random.integer(2, 5) }, (_, i) => drawSmooth(
    { ...bench, set: bench.set * random.between(0.25, 0.5 + 0.08 * i) }, random, { riseS: [0.2, 0.6], releaseS: [0.06, 0.2] },
  ));
  return several(named, random, bench, [...strokes, drawClick(bench, random, { riseS: [0.3, 0.8] })], {}, {}, [0.15, 0.4]);
};

/** One way and at once the other way, 0 to 30 ms between; each is a reading. */
export const backToBack: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.7]);
  const make = (): Done => (random.happens(0.7) ? drawClick(bench, random, { riseS: [0.3, 1.2] }) : drawSmooth(bench, random, { riseS: [0.3, 1.2] }));
  const dones = [make(), make()];
  const sign = random.pick([1, -1] as const);
  const firstAt = random.between(0.4, 0.8);
  const secondAt = firstAt + lastsS(dones[0]!) + (random.happens(0.4) ? 0 : random.between(0, 0.03));
  return record(named, base(bench, random, dones, secondAt + lastsS(dones[1]!) + random.between(0.4, 0.8)), [
    applied(dones[0]!, firstAt, { sign }), applied(dones[1]!, secondAt, { sign: sign === 1 ? -1 : 1 }),
  ], random);
};

/** A staircase: the hand holds at two to five levels and goes on. No click; the highest level is the value. */
export const staircase: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.85]);
  const steps = random.integer(2, 5);
  const before: Stroke[] = [];
  for (let i = 1; i < steps; i++) {
    before.push({ to: i / steps, lastsS: random.between(0.1, 0.5), shape: 'ease' }, { to: i / steps, lastsS: random.between(0.2, 0.7), shape: 'line' });
  }
  return single(named, random, bench, drawSmooth(bench, random, { before, riseS: [0.1, 0.5] }));
};

/** The record begins or ends while more than 8 % of the capacity is on; another whole pull follows or goes before. */
export const cutByRecord: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.7]);
  const make = (): Done => (random.happens(0.7) ? drawClick(bench, random, { riseS: [0.3, 1.2] }) : drawSmooth(bench, random, { riseS: [0.3, 1.2] }));
  const [cut, whole] = [make(), make()];
  const atS = loadedAt(cut, 0.08 * bench.capacity, random);
  const isBegin = random.happens(0.5);
  const part: Done = isBegin ? { ...cut, torque: cut.torque.slice(Math.round(atS / STEP_S)) } : { ...cut, torque: cut.torque.slice(0, Math.round(atS / STEP_S)) };
  const seen: Done = { ...part, facts: factsOf(part.torque, null) };
  const placing = { expected: 'interrupted', click: null } as const;
  const sign = random.happens(0.25) ? -1 : 1;
  const gapS = random.between(0.4, 1);
  const places: Applied[] = isBegin
    ? [applied(seen, 0, { ...placing, sign }), applied(whole, lastsS(seen) + gapS)]
    : [applied(whole, 0.5), applied(seen, 0.5 + lastsS(whole) + gapS, { ...placing, sign })];
  const endS = places[1]!.atS + places[1]!.torque.length * STEP_S + (isBegin ? 0.5 : -2 * STEP_S);
  return record(named, base(bench, random, [cut, whole], endS), places, random);
};

/** Any moment under load. */
function loadedAt(done: Done, least: number, random: SeededRandom): number {
  for (;;) {
    const i = random.integer(0, done.torque.length - 1);
    if (done.torque[i]! >= least) return i * STEP_S;
  }
}

function base(bench: Bench, random: SeededRandom, dones: readonly Done[], endS: number): Channel {
  return {
    rateHz: bench.rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: drawSigma(bench, random, dones),
    settings: { mode: 'first-peak' }, lastsS: endS,
  };
}

/**
 * After the release the tool bounces off the drive: one to three blows of 4 to 15 ms, 2.5 to 15 % of the torque. Blows less
 * than 40 ms apart would be one application of more than 20 ms, which is a pull as good as any: they are 45 ms apart.
 */
export const bounce: FamilyDraw = (named: Named, random): HardRecord => {
  const bench = drawBench(random, undefined, [0.3, 0.7]);
  const done = random.happens(0.7) ? drawClick(bench, random, { releaseS: [0.05, 0.12] }) : drawSmooth(bench, random, { releaseS: [0.05, 0.12] });
  const atS = random.between(0.4, 0.8);
  const sign = random.happens(0.25) ? -1 : 1;
  const all: Applied[] = [applied(done, atS, { sign })];
  let t = atS + lastsS(done);
  const blows = random.integer(1, 3);
  for (let i = 0; i < blows; i++) {
    t += random.between(i === 0 ? 0.01 : 0.045, 0.1);
    const widthS = random.between(0.004, 0.015);
    const height = bench.set * random.betweenLog(0.025, 0.15);
    const torque = Float64Array.from({ length: Math.round(widthS / STEP_S) + 2 }, (_, k) => Math.max(0, height * Math.sin((Math.PI * k * STEP_S) / widthS)));
    all.push({ atS: t, sign: random.happens(0.5) ? 1 : -1, torque, facts: factsOf(torque, null), click: null, expected: 'nothing' });
    t += widthS;
  }
  return record(named, base(bench, random, [done], t + random.between(0.4, 0.8)), all, random);
};
