/** Families of mechanisms and hands. */
import { record, type Applied } from './channel.ts';
import { drawBench, drawClick, drawSigma, drawSmooth, lastsS, run, type Done, type HandDraw } from './draws.ts';
import { factsOf, STEP_S, type PullPlan } from './pull.ts';
import { applied, single, type FamilyDraw } from './timeline.ts';

/** What a sample rate serves well: a fall of five samples, and less than 0.8 % more torque with each sample of the ramp. */
function servedBy(rateHz: number): Pick<HandDraw, 'travelS' | 'riseS'> {
  return { travelS: [Math.max(0.004, 5 / rateHz), 0.03], riseS: [Math.max(0.4, 1 / (0.008 * rateHz)), 2.5] };
}

export const cleanClick: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [200, 500, 1000, 2000, 5000, 10_000, 20_000]);
  return single(named, random, bench, drawClick(bench, random, { ...servedBy(bench.rateHz), after: bench.rateHz < 500 ? 'stay' : 'any' }), {}, { isClean: true });
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
    if (facts.clickTorque === null || facts.depth < 0.86 || facts.depth > 0.97 || !isHalfBack(done) || isReleased(done, bench.capacity) || facts.maximum > 0.96 * bench.capacity) continue;
    return single(named, random, bench, done);
  }
};

function isHalfBack({ torque, facts }: Done): boolean {
  const from = Math.round((facts.clickAtS! + 0.04) / STEP_S);
  return torque.subarray(from, from + 0.21 / STEP_S).some((value) => value >= 0.55 * facts.clickTorque!);
}

/** Torque below 1.2 % of the capacity for 30 ms may have been released (1 % for 40 ms is common practice): not a click. */
function isReleased({ torque, facts }: Done, capacity: number): boolean {
  const from = Math.round(facts.clickAtS! / STEP_S);
  const to = torque.findLastIndex((value) => value >= 0.5 * facts.clickTorque!);
  let below = 0;
  for (let i = from; i < to; i++) {
    below = torque[i]! < 0.012 * capacity ? below + 1 : 0;
    if (below * STEP_S >= 0.03) return true;
  }
  return false;
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

/** It gives way twice in one pull, the second time at 85 to 125 % of the first torque: the first one counts. */
export const doubleClick: FamilyDraw = (named, random) => {
  for (;;) {
    const bench = drawBench(random, undefined, [0.25, 0.6]);
    const trip = bench.set;
    const second = trip * random.between(0.85, 1.25);
    const riseS = random.betweenLog(0.5, 2);
    const travelS = random.between(0.005, 0.02);
    const gives = trip * (random.betweenLog(0.08, 0.35) + travelS / riseS);
    const givesAgain = second * random.between(0.08, 0.35);
    const plan: PullPlan = {
      strokes: [{ to: 2.2 * trip, lastsS: 2.2 * riseS, shape: 'line' }],
      trips: [{ torque: trip, gives, travelS }, { torque: second, gives: givesAgain, travelS: random.between(0.005, 0.02) }], afterTrip: 1,
      reaction: [
        { to: second + gives + 0.5 * givesAgain, lastsS: random.between(0.12, 0.25), shape: 'fast-first' },
        { to: 0, lastsS: random.between(0.1, 0.5), shape: 'ease' },
      ],
      modeHz: random.betweenLog(60, 250), damping: random.between(0.4, 1), tremor: { share: 0.0005, hz: 10, phase: 0 },
    };
    const done = run(plan);
    if (done.trippedAt.length < 2 || done.facts.depth < 0.06 || done.facts.belowS < Math.max(0.025, 5 / bench.rateHz)) continue;
    // Closer together it is one fall with a step in it.
    if (done.trippedAt[1]! - done.trippedAt[0]! < 0.1) continue;
    return single(named, random, bench, done);
  }
};

/** A light, little damped tool rings at 25 to 80 Hz after the click. */
export const ringing: FamilyDraw = (named, random) => {
  const bench = drawBench(random);
  return single(named, random, bench, drawClick(bench, random, { modeHz: [25, 80], damping: [0.04, 0.18], depth: [0.06, 0.5], rise: 'line' }));
};

/**
 * A clutch tool: run-down, the joint, and the clutch lets go of all of it: a fall without arrest is no click. A hard
 * joint rises within 30 to 80 ms, a soft one within 0.3 to 1.5 s (hard: some 30 degrees of turning, soft: a full turn).
 */
function clutch(riseS: readonly [number, number]): FamilyDraw {
  return (named, random) => {
    const bench = drawBench(random, [1000, 2000, 4000, 8000, 20_000], [0.3, 0.8]);
    const prevailing = bench.capacity * (random.happens(0.5) ? random.between(0.03, 0.08) : random.between(0.001, 0.006));
    const rise = random.betweenLog(...riseS);
    const done = run({
      strokes: [
        { to: prevailing, lastsS: random.between(0.05, 0.15), shape: 'ease' }, { to: prevailing, lastsS: random.between(0.3, 1.2), shape: 'line' },
        { to: 1.5 * bench.set, lastsS: 1.5 * rise, shape: random.pick(['line', 'slow-first']) },
      ],
      trips: [{ torque: bench.set, gives: 2 * bench.set, travelS: random.between(0.006, 0.02) }], afterTrip: 0,
      reaction: [{ to: 0, lastsS: 0.03, shape: 'line' }],
      modeHz: random.betweenLog(120, 250), damping: random.between(0.7, 1), tremor: { share: 0, hz: 10, phase: 0 },
    });
    const ended = { ...done, facts: factsOf(done.torque, null) };
    return single(named, random, bench, ended, {}, { click: false });
  };
}

export const hardJoint = clutch([0.03, 0.08]);
export const softJoint = clutch([0.3, 1.5]);
