/** Families of mechanisms and hands. */
import { record, type Applied } from './channel.ts';
import { drawBench, drawClick, drawSigma, drawSmooth, lastsS, run, type Done } from './draws.ts';
import type { PullPlan } from './pull.ts';
import { applied, single, type FamilyDraw } from './timeline.ts';

export const cleanClick: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [200, 500, 1000, 2000, 5000, 10_000, 20_000]);
  return single(named, random, bench, drawClick(bench, random, { after: bench.rateHz < 500 ? 'stay' : 'any' }), {}, { isClean: true });
};

export const smooth: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [200, 500, 1000, 2000, 5000, 10_000, 20_000], [0.2, 0.9]);
  return single(named, random, bench, drawSmooth(bench, random), {}, { isClean: true });
};

/**
 * A mechanism that gives way nearly all of the wind-up: torque falls to 3 to 14 % of the click torque and comes back,
 * half of it within 250 ms, then goes beyond. The hand goes on, or the mechanism takes back what it gave.
 */
export const deepClick: FamilyDraw = (named, random) => {
  for (;;) {
    const bench = drawBench(random, undefined, [0.25, 0.6]);
    const trip = bench.set;
    const travelS = random.between(0.005, 0.02);
    const riseS = random.betweenLog(0.4, 2);
    const gives = trip * random.between(0.88, 0.99);
    const takesBackS = random.happens(0.5) ? random.between(0.06, 0.2) : 0;
    const over = Math.min(0.9 * bench.capacity, trip * random.between(1.05, 1.6)) + (takesBackS > 0 ? 0 : gives);
    const plan: PullPlan = {
      strokes: [{ to: 1.3 * trip, lastsS: 1.3 * riseS, shape: 'line' }],
      trips: [{ torque: trip, gives, travelS, takesBackS }], afterTrip: 0,
      reaction: [
        { to: trip * 1.02, lastsS: 0.03, shape: 'line' }, { to: over, lastsS: random.between(0.2, 0.5), shape: 'ease' },
        { to: over, lastsS: random.between(0.05, 0.4), shape: 'line' }, { to: 0, lastsS: random.between(0.1, 0.5), shape: 'ease' },
      ],
      modeHz: random.betweenLog(60, 250), damping: random.between(0.5, 1), tremor: { share: 0.0005, hz: 10, phase: 0 },
    };
    const done = run(plan);
    const { facts } = done;
    if (facts.clickTorque === null || facts.depth < 0.86 || facts.depth > 0.97 || !isHalfBack(done) || facts.maximum > 0.96 * bench.capacity) continue;
    return single(named, random, bench, done);
  }
};

function isHalfBack({ torque, facts }: Done): boolean {
  const from = Math.round((facts.clickAtS! + 0.04) / 1e-4);
  return torque.subarray(from, from + 2100).some((value) => value >= 0.55 * facts.clickTorque!);
}

/** Direction set to cw; the tool is first turned back against a stop, then pulled, with 5 to 300 ms or nothing between. */
export const preloadOtherWay: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.7]);
  const before = drawSmooth({ ...bench, set: bench.capacity * random.between(0.05, 0.5) }, random, { riseS: [0.15, 0.6], releaseS: [0.05, 0.3] });
  const done = random.happens(0.7) ? drawClick(bench, random) : drawSmooth(bench, random);
  const firstAt = random.between(0.4, 0.7);
  const gapS = random.happens(0.25) ? 0 : random.betweenLog(0.005, 0.3);
  const secondAt = firstAt + lastsS(before) + gapS;
  const all: Applied[] = [
    applied(before, firstAt, { sign: -1, expected: 'told', click: null }),
    applied(done, secondAt),
  ];
  return record(named, {
    rateHz: bench.rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: drawSigma(bench, random, [done]),
    settings: { mode: 'first-peak', direction: 'cw' }, lastsS: secondAt + lastsS(done) + random.between(0.4, 0.8),
  }, all, random);
};
