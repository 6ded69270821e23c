/** Families of channels that are not as they should be: offset, drift over minutes, coarse, slow, fast, uneven, clipped. */
import type { SeededRandom } from '../random.ts';
import { record } from './channel.ts';
import { drawBench, drawClick, drawSigma, drawSmooth, lastsS, type Bench, type Done } from './draws.ts';
import { applied, several, single, type FamilyDraw } from './timeline.ts';

/**
 * 0.5 to 1.9 % of the capacity, either sign, from the start or from a moment on before the first pull; two to five
 * pulls. Automatic zero is not at work here: the offset is part of every truth. A channel that cannot arm or let go
 * must say so, in time: 3 s of rest follow the last pull. Silence and another value are wrong. Five sigma of the noise
 * stay below 2 %: the usual arming threshold.
 */
export const offset: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [500, 1000, 2000, 5000], [0.3, 0.7]);
  const standing = bench.capacity * random.between(0.005, 0.019) * random.pick([1, 1, -1]);
  const fromS = random.happens(0.3) ? random.between(0.1, 0.3) : -1;
  const dones = Array.from({ length: random.integer(2, 5) }, () => (random.happens(0.7)
    ? drawClick(bench, random, { riseS: [0.3, 1] })
    : drawSmooth(bench, random, { riseS: [0.3, 1] })));
  const sigma = random.betweenLog(0.3, 1) * Math.min(0.001 * bench.capacity, (0.0198 * bench.capacity - Math.abs(standing)) / 5);
  return several(named, random, bench, dones, { sigma, offsetAt: (t) => (t < fromS ? 0 : standing), afterS: 3 }, { expected: 'reading-or-told' });
};

/** A tool hangs on the socket, is taken off, another is hung on: steps of up to 0.8 % of the capacity between the pulls. */
export const standingSteps: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [500, 1000, 2000, 5000], [0.3, 0.75]);
  const dones = Array.from({ length: random.integer(2, 3) }, () => clickOrSmooth(bench, random));
  const levels: number[] = [];
  const steps: number[] = [];
  let t = 0;
  const all = dones.map((done) => {
    steps.push(t);
    levels.push(bench.capacity * random.between(-0.008, 0.008));
    steps.push(t + random.between(0.3, 0.5));
    levels.push(bench.capacity * random.between(-0.008, 0.008));
    const one = applied(done, t + random.between(0.6, 0.9));
    t = one.atS + lastsS(done) + random.between(0.2, 0.4);
    return one;
  });
  const stands = (at: number): number => levels[Math.max(0, steps.findLastIndex((step) => step <= at))]!;
  return record(named, {
    rateHz: bench.rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: drawSigma(bench, random, dones), offsetAt: stands,
    settings: { mode: 'first-peak' }, lastsS: t + 0.4,
  }, all, random);
};

/**
 * Ten minutes at rest while the zero drifts by 0.2 to 1.6 % of the capacity, then a pull. Up to 0.9 % the pull is read;
 * beyond, the channel may say that it cannot let go. First-peak at 100 S/s, peak at 20 or 50.
 */
export const idleDrift: FamilyDraw = (named, random) => {
  const rateHz = random.pick([20, 50, 100, 100]);
  const bench = drawBench(random, [rateHz], [0.3, 0.75]);
  const done = rateHz < 100 ? drawSmooth(bench, random, { riseS: [1, 4] }) : drawClick(bench, random, { riseS: [1, 4], after: 'stay' });
  const total = random.between(0.002, 0.016) * random.pick([-1, 1]);
  const idleS = random.between(580, 620);
  const wave = random.between(0, 0.1);
  return record(named, {
    rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: Math.min(0.0002 * bench.capacity, drawSigma(bench, random, [done])),
    offsetAt: (t) => bench.capacity * total * (t / idleS + wave * Math.sin(t / 30)), settings: { mode: rateHz < 100 ? 'peak' : 'first-peak' },
    lastsS: idleS + lastsS(done) + 3,
  }, [applied(done, idleS, { sign: total > 0 ? 1 : -1, expected: Math.abs(total) * 1.1 < 0.009 ? 'reading' : 'reading-or-told' })], random);
};

function clickOrSmooth(bench: Bench, random: SeededRandom, clicks = 0.7): Done {
  return random.happens(clicks) ? drawClick(bench, random) : drawSmooth(bench, random);
}

/** 5 to 10 % of the capacity, where a target says that this is meant. */
export const lowRange: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.05, 0.1]);
  const done = clickOrSmooth(bench, random);
  const sigma = Math.min(0.0003 * bench.capacity, drawSigma(bench, random, [done]));
  const limits = { kind: 'absolute', target: bench.set, low: 0.96 * bench.set, high: 1.04 * bench.set } as const;
  return single(named, random, bench, done, { sigma, bits: random.integer(16, 20), settings: { mode: 'first-peak', limits } });
};

/** A fall of a tenth of a second is the fastest that 100 S/s shows by five samples, so torque stays below for 50 ms. */
export const rate100: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [100]);
  const done = random.happens(0.7)
    ? drawClick(bench, random, { riseS: [0.8, 4], after: random.pick(['stay', 'go-on'] as const), depth: [0.08, 0.35] })
    : drawSmooth(bench, random, { riseS: [0.8, 4] });
  return single(named, random, bench, done);
};

export const rate50k: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [50_000]);
  const done = random.happens(0.7) ? drawClick(bench, random, { riseS: [0.3, 1.2] }) : drawSmooth(bench, random, { riseS: [0.3, 1.2] });
  return single(named, random, bench, done, {}, { isClean: true });
};

/** Steps of 0.06 % of the capacity, with noise above and far below them; a click falls by eight steps at least. */
export const bits12: FamilyDraw = (named, random) => {
  for (;;) {
    const bench = drawBench(random);
    const done = clickOrSmooth(bench, random);
    const { facts } = done;
    if (facts.clickTorque !== null && facts.depth * facts.clickTorque < (8 * 2.5 * bench.capacity) / 4096) continue;
    const sigma = random.happens(0.5) ? 0.00002 * bench.capacity : drawSigma(bench, random, [done]);
    return single(named, random, bench, done, { bits: 12, sigma });
  }
};

/** Samples are taken up to a quarter of the spacing (one sigma) early or late, and stamped evenly. */
export const jitter: FamilyDraw = (named, random) => {
  const bench = drawBench(random);
  return single(named, random, bench, clickOrSmooth(bench, random), { jitter: random.between(0.05, 0.25) });
};

/**
 * The converter ends at 90 to 120 % of the capacity and the pull goes 3 to 25 % beyond that. Where the value itself is
 * beyond the end no trace knows it: a flag, or the end of the converter, is right. Half of the instruments report overload.
 */
export const clipping: FamilyDraw = (named, random) => {
  const isPeak = random.happens(0.5);
  for (;;) {
    const rangeShare = random.between(0.9, 1.2);
    const drawn = drawBench(random, undefined, [0.4, 0.8]);
    const end = rangeShare * drawn.capacity;
    const beyond = end * random.between(1.03, 1.25);
    const isBeforeEnd = random.happens(0.5);
    const bench = isBeforeEnd ? drawn : { ...drawn, set: beyond };
    const over = beyond / bench.set - 1;
    const done = isBeforeEnd
      ? drawClick({ ...bench, capacity: bench.capacity * 2 }, random, { after: 'go-on', over: [over, over * 1.01] })
      : drawSmooth(bench, random);
    if (done.facts.maximum < 1.02 * end) continue;
    const isValueLost = isPeak || done.facts.firstPeak > 0.99 * end;
    return single(named, random, bench, done, {
      rangeShare, reportsOverload: random.happens(0.5), settings: { mode: isPeak ? 'peak' : 'first-peak' },
    }, { isLost: isValueLost });
  }
};
