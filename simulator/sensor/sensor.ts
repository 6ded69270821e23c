/** What lies between torque and number: a transducer with its amplifier and converter. */
import type { SeededRandom } from '../random.ts';

export interface SensorTraits {
  /** N.m; also the end of the converter's range, where values stick. */
  readonly capacity: number;
  /** Resolution of the converter over -capacity ... +capacity. */
  readonly bits: number;
  /** Standard deviation of the noise, N.m. */
  readonly noiseSigma: number;
  /** Zero error, N.m. */
  readonly offset: number;
  /** Movement of the zero, N.m per second. */
  readonly driftPerS: number;
  /** -3 dB frequency of the amplifier, a single pole, Hz; Infinity: none. */
  readonly bandwidthHz: number;
}

export function lsbOf(traits: Pick<SensorTraits, 'capacity' | 'bits'>): number {
  return (2 * traits.capacity) / 2 ** traits.bits;
}

export class Sensor {
  readonly traits: SensorTraits;
  readonly lsb: number;
  readonly #random: SeededRandom;
  readonly #tauS: number;
  readonly #highestCode: number;
  #zero = 0;
  #lastS = NaN;
  #lastTorque = 0;
  #settled = 0;
  /** True when the last value stood at the end of the range. */
  isSaturated = false;

  constructor(traits: SensorTraits, random: SeededRandom) {
    this.traits = traits;
    this.lsb = lsbOf(traits);
    this.#random = random;
    this.#tauS = 1 / (2 * Math.PI * traits.bandwidthHz);
    this.#highestCode = 2 ** (traits.bits - 1) - 1;
  }

  /** The number for a torque (N.m) at a time (s) later than the one before. In N.m, a whole multiple of `lsb`. */
  read(torque: number, atS: number): number {
    const { offset, driftPerS, noiseSigma } = this.traits;
    const seen = this.#follow(torque, atS) + offset + driftPerS * atS - this.#zero + noiseSigma * this.#random.normal();
    const code = Math.round(seen / this.lsb);
    this.isSaturated = code >= this.#highestCode || code <= -this.#highestCode - 1;
    return Math.max(-this.#highestCode - 1, Math.min(this.#highestCode, code)) * this.lsb + 0; // + 0: a converter knows no negative zero
  }

  /** Takes the present offset and drift as zero, as a tare key does with nothing attached. */
  zero(atS: number): void {
    this.#zero = this.traits.offset + this.traits.driftPerS * atS;
  }

  /** A single pole's exact answer to torque that goes straight from one sample to the next. */
  #follow(torque: number, atS: number): number {
    const stepS = atS - this.#lastS;
    if (this.#tauS === 0 || !(stepS > 0)) {
      this.#settled = torque;
    } else {
      const lag = ((torque - this.#lastTorque) / stepS) * this.#tauS;
      this.#settled = torque - lag + (this.#settled - this.#lastTorque + lag) * Math.exp(-stepS / this.#tauS);
    }
    this.#lastS = atS;
    this.#lastTorque = torque;
    return this.#settled;
  }
}

/** Instants of sampling, s: a quartz that is a little off, and each conversion a little early or late. */
export class SampleTimes {
  readonly #spacingS: number;
  readonly #jitterS: number;
  readonly #random: SeededRandom;
  #index = 0;

  /** `jitterS` is a standard deviation, held below a fifth of the spacing so that time never goes back. */
  constructor(rateHz: number, clockErrorPpm: number, jitterS: number, random: SeededRandom) {
    this.#spacingS = 1 / (rateHz * (1 + clockErrorPpm * 1e-6));
    this.#jitterS = jitterS;
    this.#random = random;
  }

  next(): number {
    const jitter = this.#jitterS === 0 ? 0 : this.#jitterS * this.#random.normal();
    const bound = this.#spacingS * 0.2;
    return this.#index++ * this.#spacingS + Math.max(-bound, Math.min(bound, jitter));
  }
}
