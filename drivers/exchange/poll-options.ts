/** Settings that every driver has that asks. */
import * as z from 'zod';
import { SafePattern } from '../values/safe-pattern.ts';

/** Asking more often than this serves nobody: timers and serial lines do not do it. */
export const FASTEST_POLL_HZ = 1_000;

/** @param timeoutMs default of the time an answer may take, ms */
export function pollShape(timeoutMs: number) {
  return {
    rateHz: z.number().min(0.1).max(FASTEST_POLL_HZ).optional().describe('Asks so many times a second, at even times; this is the sample rate. A time at which no question could be asked is a missing sample.'),
    asFastAsAnswered: z.boolean().default(false).describe('Asks again as soon as the answer came, at most 1000 times a second. The sample rate is what the device makes of it, and less even.'),
    timeoutMs: z.number().min(5).max(30_000).default(timeoutMs).describe('An answer that takes longer is a missing sample, ms.'),
    quietMs: z.number().min(1).max(10_000).default(200).describe('After a missing answer nothing is asked until the line was quiet for so long, ms: a late answer must not pass for the next.'),
  };
}

export interface PollPace {
  readonly rateHz?: number | undefined;
  readonly asFastAsAnswered: boolean;
}

/** What is wrong with the pace, or null. */
export function paceFault(poll: PollPace): string | null {
  if (poll.rateHz === undefined && !poll.asFastAsAnswered) return 'needs rateHz, or asFastAsAnswered: true';
  return poll.rateHz !== undefined && poll.asFastAsAnswered ? 'has rateHz and asFastAsAnswered; one of them decides' : null;
}

/** Options of one driver that polls: the common ones and its own. */
export function pollSchema<Shape extends z.ZodRawShape>(timeoutMs: number, more: Shape) {
  return z.strictObject({ ...pollShape(timeoutMs), ...more }).superRefine((poll, context) => {
    const fault = paceFault(poll as unknown as PollPace);
    if (fault !== null) context.addIssue({ code: 'custom', message: fault });
  });
}

/** How a device with one converter is told which of its inputs comes next. */
export function selectionSchema(send: z.ZodType<string>) {
  return z.strictObject({
    send: send.describe('Selects the input; sent before each question for its value.'),
    answer: SafePattern.optional().describe('What the device answers to it, for example "^CH2$". Without the right answer its value is not asked for, so that a selection which was lost on the way cannot give the value of another input.'),
    settleMs: z.number().min(0).max(10_000).default(0).describe('How long after it the device may still show the old input, ms; nothing is asked before.'),
  });
}

export interface Selection {
  readonly settleMs: number;
}

/** Whether a round with these selections fits between two times of asking; what is wrong, or null. */
export function selectionFault(rateHz: number | undefined, selections: readonly (Selection | undefined)[]): string | null {
  const settleMs = selections.reduce((sum, selection) => sum + (selection?.settleMs ?? 0), 0);
  if (rateHz === undefined || settleMs * rateHz <= 1_000) return null;
  return `is ${rateHz}, but all inputs take their turn in each round, and settling alone takes ${settleMs} ms; at most ${Math.floor(10_000 / settleMs) / 10} times a second are possible`;
}
