/** Families of what disturbs a channel: mains hum, pink noise, drift. */
import type { SeededRandom } from '../random.ts';
import { drawBench, drawClick, drawSmooth, type Bench } from './draws.ts';
import { humCrest, type Hum } from './noise.ts';
import { single, type FamilyDraw } from './timeline.ts';

/** Mains of 50 and 60 Hz within the usual 0.1 Hz; 0.2 to 1 % of the capacity from zero to crest. */
function drawHum(bench: Bench, random: SeededRandom, share: readonly [number, number] = [0.002, 0.01]): Hum {
  return {
    hz: random.pick([50, 60]) + random.between(-0.1, 0.1), amplitude: bench.capacity * random.betweenLog(...share),
    phase: random.between(0, 2 * Math.PI), third: random.happens(0.5) ? 0 : random.between(0, 0.3),
  };
}

/** A click's fall is 2.1 to 6 times the whole swing of the hum. */
export const humClick: FamilyDraw = (named, random) => {
  for (;;) {
    const bench = drawBench(random, undefined, [0.3, 0.7]);
    const hum = drawHum(bench, random);
    const wanted = (random.between(2.1, 6) * 2 * humCrest(hum)) / bench.set;
    if (wanted < 0.03 || wanted > 0.35) continue;
    const done = drawClick(bench, random, { depth: [wanted, wanted * 1.15], riseS: [0.6, 2.5] });
    return single(named, random, bench, done, { hum });
  }
};

export const humSmooth: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.85]);
  return single(named, random, bench, drawSmooth(bench, random), { hum: drawHum(bench, random) });
};

/** A click's fall is 0.4 to 1.1 times the swing of the hum: nobody can decide. */
export const humHidesClick: FamilyDraw = (named, random) => {
  for (;;) {
    const bench = drawBench(random, undefined, [0.3, 0.7]);
    const hum = drawHum(bench, random, [0.005, 0.02]);
    const wanted = (random.between(0.4, 1.1) * 2 * humCrest(hum)) / bench.set;
    if (wanted < 0.02 || wanted > 0.1) continue;
    const done = drawClick(bench, random, { depth: [wanted, wanted * 1.15], riseS: [0.8, 2.5] });
    return single(named, random, bench, done, { hum });
  }
};

/** Sigma of 0.03 to 0.4 % of the capacity, from 0.1 Hz on. What is too much for the click is undecidable by the rules. */
export const pinkClick: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.3, 0.75]);
  return single(named, random, bench, drawClick(bench, random, { depth: [0.03, 0.2], riseS: [0.6, 3] }), { pinkSigma: bench.capacity * random.betweenLog(0.0003, 0.004) });
};

export const pinkSmooth: FamilyDraw = (named, random) => {
  const bench = drawBench(random, undefined, [0.4, 0.85]);
  return single(named, random, bench, drawSmooth(bench, random), { pinkSigma: bench.capacity * random.betweenLog(0.0003, 0.0015) });
};

/** Drift of up to 0.9 % of the capacity over the record, as of a warming amplifier; beyond that it is a standing offset. */
export const drift: FamilyDraw = (named, random) => {
  const bench = drawBench(random);
  const total = bench.capacity * random.between(0.001, 0.009) * random.pick([-1, 1]);
  const done = random.happens(0.7) ? drawClick(bench, random, { riseS: [0.5, 4] }) : drawSmooth(bench, random, { riseS: [0.5, 4] });
  const tauS = random.between(1, 4);
  return single(named, random, bench, done, { offsetAt: (t) => total * (1 - Math.exp(-t / tauS)) }, { isClean: true });
};
