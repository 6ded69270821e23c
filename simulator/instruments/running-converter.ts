/** The converters of an instrument that is asked: they run by themselves, and whoever asks gets the newest sample. */
import { takeSample, type InstrumentParts } from './virtual-instrument.ts';

export interface Conversion {
  /** One per channel, as shown. */
  readonly values: Float64Array;
  readonly isOverloaded: boolean;
  /** Number of the sample since switch-on; two answers with one number are the same sample. */
  readonly index: number;
}

/** A host may ask seldom; longer than this without a question the converters stand still, ms. */
const MAX_UNASKED_MS = 30_000;

export class RunningConverter {
  readonly #parts: Pick<InstrumentParts, 'clock' | 'channels' | 'rateHz'>;
  readonly #values: Float64Array;
  #startMs = 0;
  #taken = 0;
  #isOverloaded = false;
  lateSamples = 0;

  constructor(parts: Pick<InstrumentParts, 'clock' | 'channels' | 'rateHz'>) {
    this.#parts = parts;
    this.#values = new Float64Array(parts.channels.length);
  }

  start(): void {
    this.#startMs = this.#parts.clock.monoMs();
    this.#taken = 0;
  }

  /** The values are the converter's own and change with the next call. */
  newest(): Conversion {
    const { clock, channels, rateHz } = this.#parts;
    const due = 1 + Math.floor(((clock.monoMs() - this.#startMs) * rateHz) / 1_000) - this.#taken;
    const count = Math.min(due, Math.max(1, Math.floor((MAX_UNASKED_MS * rateHz) / 1_000)));
    if (due > count) this.lateSamples += due - count;
    this.#taken += due;
    for (let i = 0; i < count; i++) this.#isOverloaded = takeSample(channels, this.#values);
    return { values: this.#values, isOverloaded: this.#isOverloaded, index: this.#taken };
  }
}
