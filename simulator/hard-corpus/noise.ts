/**
 * What the channel adds to the torque. White noise comes from a table of 65,536 normal numbers in random order: it is
 * fast, its tails end at about 4.3 sigma. Pink noise is the usual sum of relaxations, one per octave, of equal power.
 */
import { SeededRandom } from '../random.ts';

const TABLE_SIZE = 65_536;
let table: Float64Array | null = null;

function normals(): Float64Array {
  if (table) return table;
  const random = new SeededRandom(0x51ab);
  table = Float64Array.from({ length: TABLE_SIZE }, () => random.normal());
  return table;
}

/** Adds white noise of `sigma` to `out`. */
export function addWhite(out: Float64Array, sigma: number, random: SeededRandom): void {
  if (sigma === 0) return;
  const values = normals();
  for (let i = 0; i < out.length; i++) out[i]! += sigma * values[random.word() >>> 16]!;
}

/** Lowest corner of pink noise, Hz: slower parts are drift. */
const PINK_LOWEST_HZ = 0.1;

/** Pink noise of `sigma` in all, from 0.1 Hz to half the sample rate. */
export function pinkNoise(length: number, rateHz: number, sigma: number, random: SeededRandom): Float64Array {
  const values = normals();
  const keeps: number[] = [];
  for (let hz = PINK_LOWEST_HZ; hz < rateHz / 2; hz *= 2) keeps.push(Math.exp((-2 * Math.PI * hz) / rateHz));
  const each = sigma / Math.sqrt(keeps.length);
  const pushes = keeps.map((keep) => each * Math.sqrt(1 - keep * keep));
  const state = keeps.map(() => each * random.normal());
  const out = new Float64Array(length);
  for (let i = 0; i < length; i++) {
    let sum = 0;
    for (let k = 0; k < keeps.length; k++) {
      const now = keeps[k]! * state[k]! + pushes[k]! * values[random.word() >>> 16]!;
      state[k] = now;
      sum += now;
    }
    out[i] = sum;
  }
  return out;
}

export interface Hum {
  /** 50 or 60. */
  readonly hz: number;
  /** From zero to crest, N.m. */
  readonly amplitude: number;
  readonly phase: number;
  /** Share of the third harmonic: mains hum is seldom a pure sine. */
  readonly third: number;
}

export function humAt(hum: Hum, t: number): number {
  const x = 2 * Math.PI * hum.hz * t + hum.phase;
  return hum.amplitude * (Math.sin(x) + hum.third * Math.sin(3 * x));
}

/** Largest value between zero and crest. */
export function humCrest(hum: Hum): number {
  return hum.amplitude * (1 + hum.third);
}

/** The largest fall of a nuisance within `windowS`: what it alone could pass off as a click. */
export function largestFall(values: Float64Array, rateHz: number, windowS: number): number {
  const window = Math.max(1, Math.round(windowS * rateHz));
  // Maximum of the last `window` values, by a queue of falling values.
  const queue = new Int32Array(values.length);
  let head = 0;
  let tail = 0;
  let fall = 0;
  for (let i = 0; i < values.length; i++) {
    while (tail > head && values[queue[tail - 1]!]! <= values[i]!) tail--;
    queue[tail++] = i;
    while (queue[head]! < i - window) head++;
    fall = Math.max(fall, values[queue[head]!]! - values[i]!);
  }
  return fall;
}
