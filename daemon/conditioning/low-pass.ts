/**
 * Causal low-pass filters: Butterworth of order 2 and 4, and the CFC classes of SAE J211-1 / ISO 6487 in one pass.
 * Digital design by the bilinear transform with the corner pre-warped. All have -3.01 dB at the corner and gain 1 at 0 Hz.
 *
 * The CFC classes are defined for two passes, forwards and backwards, which no live stream can do. One forward pass
 * of the same coefficients has its -3 dB point at 2.0775 * class (two passes: class / 0.6).
 */
import type { FilterSettings } from '../../shared/capture-settings.ts';
import { TorsiondError } from '../../shared/errors.ts';

/** One second-order section: y = b0 x + b1 x' + b2 x'' - a1 y' - a2 y''. */
export interface Section {
  readonly b0: number;
  readonly b1: number;
  readonly b2: number;
  readonly a1: number;
  readonly a2: number;
}

/** Highest corner as a share of the sample rate. Above it the bilinear transform leaves little of the shape. */
export const HIGHEST_CORNER_SHARE = 0.4;
/** Least samples per second per unit of CFC class (common practice: ten times the class). */
const CFC_RATE_FACTOR = 10;
/** Corner of one pass of a CFC filter, as a multiple of its class (SAE J211-1). */
const CFC_CORNER = 2.0775;

/** The -3 dB corner of one pass, Hz; null without a filter. */
export function cornerHz(filter: FilterSettings): number | null {
  switch (filter.kind) {
    case 'none': return null;
    case 'butterworth': return filter.cutoffHz;
    case 'cfc': return CFC_CORNER * filter.class;
  }
}

/** Says why a sample rate cannot carry a filter, or null. */
export function filterFault(filter: FilterSettings, rateHz: number): TorsiondError | null {
  if (filter.kind === 'butterworth' && filter.cutoffHz > HIGHEST_CORNER_SHARE * rateHz) {
    return new TorsiondError('RATE_TOO_LOW',
      `a low-pass of ${filter.cutoffHz} Hz needs at least ${Math.ceil(filter.cutoffHz / HIGHEST_CORNER_SHARE)} samples/s; the channel gives ${rateHz}`);
  }
  if (filter.kind === 'cfc' && filter.class * CFC_RATE_FACTOR > rateHz) {
    return new TorsiondError('RATE_TOO_LOW',
      `CFC ${filter.class} needs at least ${filter.class * CFC_RATE_FACTOR} samples/s; the channel gives ${rateHz}`);
  }
  return null;
}

/** Second-order sections of a Butterworth low-pass, each with gain 1 at 0 Hz, the most damped first. */
export function butterworth(order: 2 | 4, cutoffHz: number, rateHz: number): Section[] {
  const k = Math.tan((Math.PI * cutoffHz) / rateHz);
  const sections: Section[] = [];
  for (let pair = order / 2 - 1; pair >= 0; pair--) {
    // Pole pairs lie at angles (2 pair + 1) pi / (2 order) from the imaginary axis; 1/Q is twice the sine.
    const damping = 2 * Math.sin(((2 * pair + 1) * Math.PI) / (2 * order));
    const norm = 1 / (1 + damping * k + k * k);
    const b0 = k * k * norm;
    sections.push({ b0, b1: 2 * b0, b2: b0, a1: 2 * (k * k - 1) * norm, a2: (1 - damping * k + k * k) * norm });
  }
  return sections;
}

/** @throws TorsiondError RATE_TOO_LOW when the rate cannot carry the filter. */
export function designLowPass(filter: FilterSettings, rateHz: number): Section[] {
  const fault = filterFault(filter, rateHz);
  if (fault) throw fault;
  switch (filter.kind) {
    case 'none': return [];
    case 'butterworth': return butterworth(filter.order, filter.cutoffHz, rateHz);
    case 'cfc': return butterworth(2, CFC_CORNER * filter.class, rateHz);
  }
}

/** The highest so far. `highestAt` is an index in the output of the call that raised it. */
export interface Peak {
  highest: number;
  highestAt: number;
  highestInput: number;
}

/**
 * A running low-pass with its state. `prime` puts it at rest at a value, so that a start is no step.
 * The state after any split of the same samples is the same, bit for bit.
 */
export class LowPass {
  readonly #sections: readonly Section[];
  readonly #state: Float64Array;

  constructor(sections: readonly Section[]) {
    this.#sections = sections;
    this.#state = new Float64Array(2 * sections.length);
  }

  get isActive(): boolean {
    return this.#sections.length > 0;
  }

  prime(value: number): void {
    this.#sections.forEach((section, s) => {
      this.#state[2 * s] = value * (1 - section.b0);
      this.#state[2 * s + 1] = value * (section.b2 - section.a2);
    });
  }

  /** Filters `count` samples from `input` at `from` into `output` at 0; both may be the same array when `from` is 0. */
  run(input: Float64Array, from: number, count: number, output: Float64Array): void {
    const sections = this.#sections;
    if (sections.length === 0) {
      for (let i = 0; i < count; i++) output[i] = input[from + i]!;
    } else if (sections.length === 1) {
      this.#runOne(sections[0]!, input, from, count, output);
    } else {
      this.#runTwo(sections[0]!, sections[1]!, input, from, count, output);
    }
  }

  /**
   * Filters like `run`, and notes the highest of input and output. In one loop, because the recursion waits
   * for its own result: what is done meanwhile costs next to nothing.
   * @param values samples from `from` on; filtered in place
   */
  runForPeak(values: Float64Array, from: number, count: number, peak: Peak): void {
    const sections = this.#sections;
    if (sections.length === 1) this.#peakOne(sections[0]!, values, from, from + count, peak);
    else if (sections.length === 2) this.#peakTwo(sections[0]!, sections[1]!, values, from, from + count, peak);
    else {
      let { highest, highestAt } = peak;
      for (let i = from; i < from + count; i++) {
        const x = values[i]!;
        if (x <= highest) continue;
        highest = x;
        highestAt = i;
      }
      peak.highest = highest;
      peak.highestAt = highestAt;
      if (highest > peak.highestInput) peak.highestInput = highest;
    }
  }

  // Transposed direct form II, state in locals: the loop is bound by the latency of the recursion alone.
  #runOne(section: Section, input: Float64Array, from: number, count: number, output: Float64Array): void {
    const { b0, b1, b2, a1, a2 } = section;
    const state = this.#state;
    let z1 = state[0]!;
    let z2 = state[1]!;
    for (let i = 0; i < count; i++) {
      const x = input[from + i]!;
      const y = b0 * x + z1;
      z1 = b1 * x - a1 * y + z2;
      z2 = b2 * x - a2 * y;
      output[i] = y;
    }
    state[0] = z1;
    state[1] = z2;
  }

  #runTwo(first: Section, second: Section, input: Float64Array, from: number, count: number, output: Float64Array): void {
    const state = this.#state;
    let z1 = state[0]!;
    let z2 = state[1]!;
    let z3 = state[2]!;
    let z4 = state[3]!;
    const { b0, b1, b2, a1, a2 } = first;
    const { b0: c0, b1: c1, b2: c2, a1: d1, a2: d2 } = second;
    for (let i = 0; i < count; i++) {
      const x = input[from + i]!;
      const u = b0 * x + z1;
      z1 = b1 * x - a1 * u + z2;
      z2 = b2 * x - a2 * u;
      const y = c0 * u + z3;
      z3 = c1 * u - d1 * y + z4;
      z4 = c2 * u - d2 * y;
      output[i] = y;
    }
    state[0] = z1;
    state[1] = z2;
    state[2] = z3;
    state[3] = z4;
  }

  #peakOne(section: Section, values: Float64Array, from: number, to: number, peak: Peak): void {
    const { b0, b1, b2, a1, a2 } = section;
    const state = this.#state;
    let z1 = state[0]!;
    let z2 = state[1]!;
    let { highest, highestAt, highestInput } = peak;
    for (let i = from; i < to; i++) {
      const x = values[i]!;
      const y = b0 * x + z1;
      z1 = b1 * x - a1 * y + z2;
      z2 = b2 * x - a2 * y;
      values[i] = y;
      if (x > highestInput) highestInput = x;
      if (y > highest) {
        highest = y;
        highestAt = i;
      }
    }
    state[0] = z1;
    state[1] = z2;
    peak.highest = highest;
    peak.highestAt = highestAt;
    peak.highestInput = highestInput;
  }

  #peakTwo(first: Section, second: Section, values: Float64Array, from: number, to: number, peak: Peak): void {
    const state = this.#state;
    let z1 = state[0]!;
    let z2 = state[1]!;
    let z3 = state[2]!;
    let z4 = state[3]!;
    const { b0, b1, b2, a1, a2 } = first;
    const { b0: c0, b1: c1, b2: c2, a1: d1, a2: d2 } = second;
    let { highest, highestAt, highestInput } = peak;
    for (let i = from; i < to; i++) {
      const x = values[i]!;
      const u = b0 * x + z1;
      z1 = b1 * x - a1 * u + z2;
      z2 = b2 * x - a2 * u;
      const y = c0 * u + z3;
      z3 = c1 * u - d1 * y + z4;
      z4 = c2 * u - d2 * y;
      values[i] = y;
      if (x > highestInput) highestInput = x;
      if (y > highest) {
        highest = y;
        highestAt = i;
      }
    }
    state[0] = z1;
    state[1] = z2;
    state[2] = z3;
    state[3] = z4;
    peak.highest = highest;
    peak.highestAt = highestAt;
    peak.highestInput = highestInput;
  }
}
