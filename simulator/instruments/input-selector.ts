/** An instrument with several inputs and one converter: it shows one input at a time, and after a change the old one for a while. */
import * as z from 'zod';
import type { Clock } from '../../shared/clock.ts';

export const SelectorPlan = z.strictObject({
  command: z.string().regex(/^[A-Z]{1,8}$/, 'use 1 to 8 capital letters').default('CH').describe('Lines: selects an input with its number behind it, CH2. SCPI instruments take ROUTe:SELect 2.'),
  confirms: z.boolean().default(true).describe('Lines: the command is answered by itself. SCPI instruments answer ROUTe:SELect?.'),
  settleMs: z.number().min(0).max(10_000).default(20).describe('After a change the value is still that of the input before, for so long.'),
});
export type SelectorPlan = z.infer<typeof SelectorPlan>;

export class InputSelector {
  readonly #clock: Clock;
  readonly #inputs: number;
  readonly #settleMs: number;
  /** From 0. */
  #selected = 0;
  #before = 0;
  #changedMs = Number.NEGATIVE_INFINITY;

  constructor(clock: Clock, inputs: number, settleMs: number) {
    this.#clock = clock;
    this.#inputs = inputs;
    this.#settleMs = settleMs;
  }

  reset(): void {
    this.#selected = 0;
    this.#before = 0;
    this.#changedMs = Number.NEGATIVE_INFINITY;
  }

  /** @param number from 1. @returns whether there is such an input */
  select(number: number): boolean {
    if (!(number >= 1 && number <= this.#inputs)) return false;
    if (number - 1 === this.#selected) return true;
    this.#before = this.shown;
    this.#selected = number - 1;
    this.#changedMs = this.#clock.monoMs();
    return true;
  }

  /** From 1. */
  get selected(): number {
    return this.#selected + 1;
  }

  /** The input whose value the converter has, from 0. */
  get shown(): number {
    return this.#clock.monoMs() - this.#changedMs < this.#settleMs ? this.#before : this.#selected;
  }
}
