/** How hands and tools are drawn. Where nothing else is said, the ranges are our own choice of what is ordinary at a bench. */
import type { SeededRandom } from '../random.ts';
import { factsOf, pull, STEP_S, type PullFacts, type PullPlan, type Shape, type Stroke, type Trip } from './pull.ts';
import { LEAST_BELOW_S, LEAST_BELOW_SAMPLES } from './rules.ts';

export interface Bench {
  readonly capacity: number;
  readonly rateHz: number;
  /** Where the tool is set, N.m. */
  readonly set: number;
}

/** Nominal ranges of transducers go in such steps (common practice). */
const CAPACITIES = [2, 5, 12, 20, 50, 100, 250, 600, 1500];
export const RATES_HZ = [500, 1000, 2000, 4000, 8000, 20_000];

export function drawBench(random: SeededRandom, rates: readonly number[] = RATES_HZ, setShare: readonly [number, number] = [0.2, 0.75]): Bench {
  const capacity = random.pick(CAPACITIES);
  return { capacity, rateHz: random.pick(rates), set: capacity * random.between(...setShare) };
}

export interface Done {
  readonly torque: Float64Array;
  readonly facts: PullFacts;
  readonly trippedAt: readonly number[];
  readonly plan: PullPlan;
}

export interface HandDraw {
  readonly riseS?: readonly [number, number];
  readonly depth?: readonly [number, number];
  readonly travelS?: readonly [number, number];
  readonly modeHz?: readonly [number, number];
  readonly damping?: readonly [number, number];
  readonly tremorShare?: number;
  readonly tremorHz?: number;
  readonly releaseS?: readonly [number, number];
  /** After the click: let go, stay, or go on to so much more than the click torque. */
  readonly after?: 'let-go' | 'stay' | 'go-on' | 'any';
  readonly over?: readonly [number, number];
  readonly reactionS?: readonly [number, number];
  readonly rise?: Shape;
  /** Strokes before the last rise; levels as shares of the set torque. */
  readonly before?: readonly Stroke[];
  /** Slope of the last part of the rise over that of the rest; 1: even. */
  readonly knee?: number;
}

const UPPER_SHARE = 0.93;
const DRAWS = 400;

/** Strokes to well beyond the set torque. */
function riseTo(set: number, draw: HandDraw, random: SeededRandom): Stroke[] {
  const riseS = random.betweenLog(...(draw.riseS ?? [0.4, 2.5]));
  const beyond = 1.3;
  const before = (draw.before ?? []).map((stroke) => ({ ...stroke, to: stroke.to * set }));
  if (draw.knee !== undefined) {
    const at = random.between(0.6, 0.9);
    return [...before, { to: at * set, lastsS: riseS * at, shape: 'line' }, { to: beyond * set, lastsS: (riseS * (beyond - at)) / draw.knee, shape: 'line' }];
  }
  const shape = draw.rise ?? random.pick<Shape>(['line', 'line', 'fast-first', 'slow-first']);
  return [...before, { to: beyond * set, lastsS: riseS * beyond, shape }];
}

function reactionTo(trip: number, gives: number, riseS: number, draw: HandDraw, random: SeededRandom, most: number): Stroke[] {
  const after = draw.after === undefined || draw.after === 'any' ? random.pick(['let-go', 'stay', 'go-on'] as const) : draw.after;
  const reactionS = random.between(...(draw.reactionS ?? [0.12, 0.25]));
  const release: Stroke = { to: 0, lastsS: random.betweenLog(...(draw.releaseS ?? [0.08, 0.5])), shape: random.pick<Shape>(['line', 'ease', 'fast-first']) };
  // Until the hand notices, it goes on as before.
  const creep = Math.min(trip + gives * 0.8, trip * (1 + (0.7 * reactionS) / riseS));
  const first: Stroke = { to: creep, lastsS: reactionS, shape: 'fast-first' };
  if (after === 'let-go') return [first, release];
  if (after === 'stay') return [first, { to: creep, lastsS: random.between(0.1, 0.5), shape: 'line' }, release];
  const over = Math.min(most, trip * (1 + random.between(...(draw.over ?? [0.05, 0.5])))) + gives;
  const goesS = random.between(0.25, 0.9);
  return [first, { to: over, lastsS: goesS, shape: 'ease' }, { to: over, lastsS: random.between(0.05, 0.4), shape: 'line' }, release];
}

function modeOf(draw: HandDraw, random: SeededRandom): Pick<PullPlan, 'modeHz' | 'damping' | 'tremor'> {
  return {
    modeHz: random.betweenLog(...(draw.modeHz ?? [45, 250])), damping: random.between(...(draw.damping ?? [0.35, 0.9])),
    tremor: { share: draw.tremorShare ?? 0.0005, hz: draw.tremorHz ?? random.between(8, 12), phase: random.between(0, 2 * Math.PI) },
  };
}

/** Draws until the measured fall is in the range and stays below long enough for the sample rate. */
export function drawClick(bench: Bench, random: SeededRandom, draw: HandDraw = {}): Done {
  const [low, high] = draw.depth ?? [0.05, 0.35];
  const leastBelow = Math.max(LEAST_BELOW_S, LEAST_BELOW_SAMPLES / bench.rateHz);
  for (let i = 0; i < DRAWS; i++) {
    const trip = bench.set * (1 + 0.01 * random.normal());
    const strokes = riseTo(trip, draw, random);
    const riseS = strokes.at(-1)!.lastsS / 1.3;
    const travelS = random.between(...(draw.travelS ?? [0.004, 0.025]));
    const gives = trip * (random.betweenLog(low, high) + (0.8 * travelS) / riseS);
    const plan: PullPlan = {
      strokes, trips: [{ torque: trip, gives, travelS }], afterTrip: 0,
      reaction: reactionTo(trip, gives, riseS, draw, random, UPPER_SHARE * bench.capacity), ...modeOf(draw, random),
    };
    const done = run(plan);
    const { facts } = done;
    if (facts.clickTorque === null || facts.depth < low || facts.depth > high || facts.belowS < leastBelow) continue;
    if (facts.maximum > (UPPER_SHARE + 0.03) * bench.capacity) continue;
    return done;
  }
  throw new RangeError(`no click fits: set ${bench.set} of ${bench.capacity}, ${bench.rateHz} S/s, ${JSON.stringify(draw)}`);
}

/** A pull that ends at `to` without any mechanism giving way. */
export function drawSmooth(bench: Bench, random: SeededRandom, draw: HandDraw = {}): Done {
  const to = bench.set;
  const strokes: Stroke[] = [
    ...(draw.before ?? []).map((stroke) => ({ ...stroke, to: stroke.to * to })),
    { to, lastsS: random.betweenLog(...(draw.riseS ?? [0.4, 2.5])), shape: draw.rise ?? random.pick<Shape>(['ease', 'line', 'fast-first']) },
    { to, lastsS: random.between(0.05, 0.8), shape: 'line' },
    { to: 0, lastsS: random.betweenLog(...(draw.releaseS ?? [0.1, 0.5])), shape: random.pick<Shape>(['line', 'ease', 'fast-first']) },
  ];
  return run({ strokes, trips: [], afterTrip: -1, reaction: [], ...modeOf(draw, random) });
}

/** Runs a plan; the facts are those of its first trip, unless `ofTrip` says another. */
export function run(plan: PullPlan, ofTrip = 0): Done {
  const { torque, trippedAt } = pull(plan);
  return { torque, trippedAt, facts: factsOf(torque, trippedAt[ofTrip] ?? null), plan };
}

/** Falls of less than 6 sigma are lost; the noise of ordinary channels is 0.01 to 0.1 % of the capacity. */
export function drawSigma(bench: Bench, random: SeededRandom, done: readonly Done[]): number {
  const falls = done.filter(({ facts }) => facts.clickTorque !== null).map(({ facts }) => facts.depth * facts.firstPeak);
  const most = Math.min(0.001 * bench.capacity, ...falls.map((fall) => fall / 8));
  return random.betweenLog(Math.min(0.0001 * bench.capacity, most / 2), most);
}

export function lastsS(done: Done): number {
  return done.torque.length * STEP_S;
}

export type { Trip };
