/** Settings of the driver `scpi`. */
import * as z from 'zod';
import { TorqueUnitCode } from '../../../shared/capture-settings.ts';
import { pollSchema } from '../../exchange/poll-options.ts';

const message = z.string().min(1).max(200).regex(/^[\x20-\x7e]+$/, 'is one line of printable ASCII, without its terminator');
const question = message.regex(/\?/, 'holds no question mark: the device would not answer it');

const Query = z.strictObject({
  text: question.describe('READ?, FETCh?, MEASure:TORQue? or whatever the manual of the device names.'),
  values: z.array(z.number().int().min(1).max(64)).min(1).max(32).default([1])
    .describe('Which of the comma-separated values of the answer are channels, in order; the first value is 1.'),
});

const Terminators = z.strictObject({
  send: z.string().min(1).max(4).default('\n').describe('Ends what is sent.'),
  receive: z.string().min(1).max(4).default('\n').describe('Ends an answer. With the default, a carriage return before it does no harm.'),
});

const Errors = z.strictObject({
  query: question.default('SYST:ERR?').describe('Reads one entry of the error queue.'),
  read: z.enum(['after-faults', 'with-each', 'never']).default('after-faults')
    .describe('after-faults: when an answer is missing or unreadable, and after commands. with-each: asked together with each value, in one message, so that stale data (-230) shows at once. never: for devices without an error queue.'),
  max: z.number().int().min(1).max(100).default(20).describe('Entries read at a time, at most.'),
});

const Commands = z.strictObject({
  zero: message.optional().describe('Zeroes the device.'),
  stop: message.optional().describe('Sent before the connection is closed.'),
});

export const ScpiOptions = z.strictObject({
  poll: pollSchema(1_000, {}).describe('How often is asked.'),
  queries: z.array(Query).min(1).max(32).default([{ text: 'READ?', values: [1] }]).describe('What is asked in each round, one after the other; their values are the channels in order.'),
  trigger: message.optional().describe('Sent before each query, for example *TRG or INIT; the query is then FETCh?.'),
  unit: TorqueUnitCode.nullable().default(null).describe('Unit that the driver reports where the answer names none; null: the channel settings decide.'),
  identify: z.boolean().default(true).describe('Asks *IDN? first. false: for devices that do not know it; the first answer to a query then shows that it is there.'),
  setup: z.array(message).max(32).default(['*CLS']).describe('Sent once before the first query.'),
  terminators: Terminators.prefault({}),
  maxLineBytes: z.number().int().min(16).max(4_096).default(1_024).describe('A longer answer is discarded.'),
  errors: Errors.prefault({}),
  commands: Commands.prefault({}),
});
export type ScpiOptions = z.infer<typeof ScpiOptions>;

export function channelCount(options: ScpiOptions): number {
  return options.queries.reduce((sum, query) => sum + query.values.length, 0);
}
