/** Settings of the driver `scpi`. */
import * as z from 'zod';
import { TEDS_LINE_BYTES } from '../../teds/text.ts';
import { pollSchema, selectionFault, selectionSchema } from '../../exchange/poll-options.ts';

const message = z.string().min(1).max(200).regex(/^[\x20-\x7e]+$/, 'is one line of printable ASCII, without its terminator');
const question = message.regex(/\?/, 'holds no question mark: the device would not answer it');

const Select = selectionSchema(message).superRefine((select, context) => {
  if (select.answer !== undefined && !select.send.includes('?')) context.addIssue({ code: 'custom', path: ['answer'], message: 'is never given: "send" holds no query; append one, for example ROUT:CLOS (@2);CLOS?' });
});

const Query = z.strictObject({
  select: Select.optional().describe('For devices with one converter: selects the input of this query. With a query in it, such as *OPC?, its answer is awaited.'),
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
  teds: z.strictObject({
    send: question.describe('The query that the manual of the device names.'),
    channel: z.number().int().min(1).max(1_024).default(1).describe('Whose transducer it is; the first channel is 1.'),
  }).optional().describe('Reads the electronic data sheet of a transducer (IEEE 1451.4) at each connection; it is answered in hexadecimal or base64, as a string in quotes or bare. The channel takes it when its transducer has teds: { from: device }.'),
});

export const ScpiOptions = z.strictObject({
  poll: pollSchema(1_000, {}).describe('How often is asked.'),
  queries: z.array(Query).min(1).max(32).default([{ text: 'READ?', values: [1] }]).describe('What is asked in each round, one after the other; their values are the channels in order.'),
  trigger: message.optional().describe('Sent before each query, for example *TRG or INIT; the query is then FETCh?.'),
  identify: z.boolean().default(true).describe('Asks *IDN? first. false: for devices that do not know it; the first answer to a query then shows that it is there.'),
  setup: z.array(message).max(32).default(['*CLS']).describe('Sent once before the first query.'),
  terminators: Terminators.prefault({}),
  maxLineBytes: z.number().int().min(16).max(4_096).default(1_024).describe('A longer answer is discarded.'),
  errors: Errors.prefault({}),
  commands: Commands.prefault({}),
}).superRefine(({ poll, queries, commands: { teds } }, context) => {
  const tooFast = selectionFault(poll.rateHz, queries.map(({ select }) => select));
  if (tooFast !== null) context.addIssue({ code: 'custom', path: ['poll', 'rateHz'], message: tooFast });
  const channels = channelCount({ queries });
  if (teds && teds.channel > channels) context.addIssue({ code: 'custom', path: ['commands', 'teds', 'channel'], message: `is ${teds.channel}; there are ${channels} channels` });
});
export type ScpiOptions = z.infer<typeof ScpiOptions>;

/** Longest line: that of values, or of a data sheet where one is asked for. */
export function longestLineBytes({ maxLineBytes, commands }: ScpiOptions): number {
  return commands.teds ? Math.max(maxLineBytes, TEDS_LINE_BYTES) : maxLineBytes;
}

export function channelCount(options: { readonly queries: readonly { readonly values: readonly number[] }[] }): number {
  return options.queries.reduce((sum, query) => sum + query.values.length, 0);
}
