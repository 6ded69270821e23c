/** What a person sees while they pull: the torque after the channel's low-pass, a little averaged. */
import type { CaptureSettings, FilterSettings } from '../../shared/capture-settings.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import { LowPass, designLowPass, filterFault } from '../conditioning/low-pass.ts';

/** Short enough to follow a hand, long enough to keep noise out of the last digit. */
const AVERAGE_MS = 50;

export class LiveValue {
  #filter: FilterSettings;
  #lowPass = new LowPass([]);
  #rateHz = 0;
  #isPrimed = false;
  #scratch = new Float64Array(256);
  #value: number | null = null;

  constructor(settings: CaptureSettings) {
    this.#filter = settings.filter;
  }

  /** N.m, or null before the first samples and after `clear`. */
  get value(): number | null {
    return this.#value;
  }

  use(settings: CaptureSettings): void {
    this.#filter = settings.filter;
    this.#rateHz = 0;
  }

  clear(): void {
    this.#value = null;
    this.#isPrimed = false;
  }

  take(block: SampleBlock): void {
    const count = block.torque.length;
    if (count === 0) return;
    if (block.rateHz !== this.#rateHz) {
      this.#rateHz = block.rateHz;
      this.#lowPass = new LowPass(filterFault(this.#filter, block.rateHz) ? [] : designLowPass(this.#filter, block.rateHz));
      this.#isPrimed = false;
    }
    if (!this.#isPrimed || block.gap !== null) this.#lowPass.prime(block.torque[0]!);
    this.#isPrimed = true;
    if (this.#scratch.length < count) this.#scratch = new Float64Array(2 * count);
    this.#lowPass.run(block.torque, 0, count, this.#scratch);
    const averaged = Math.max(1, Math.min(count, Math.round((AVERAGE_MS * block.rateHz) / 1000)));
    let sum = 0;
    for (let i = count - averaged; i < count; i++) sum += this.#scratch[i]!;
    this.#value = sum / averaged;
  }
}
