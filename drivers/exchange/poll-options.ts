/** Settings that every driver has that asks. */
import * as z from 'zod';

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
