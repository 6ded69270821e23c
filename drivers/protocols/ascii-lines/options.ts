/** Settings of the driver `ascii-lines`: how the lines of an instrument are read. */
import * as z from 'zod';
import { pollSchema, selectionFault, selectionSchema } from '../../exchange/poll-options.ts';
import { TEDS_LINE_BYTES } from '../../teds/text.ts';
import { SafePattern, groupNames } from '../../values/safe-pattern.ts';

const column = z.number().int().min(1).max(64);
const words = z.array(z.string().min(1).max(20)).max(20);

const ChannelColumns = z.strictObject({
  column: column.describe('Column of the torque; the first is 1.'),
  unitColumn: column.optional().describe('Column of the unit. Left out: a unit may follow the number in its own column.'),
  statusColumn: column.nullable().optional().describe('Column of the status word. Left out: the status words of all other channels of the line count for this one too; null: none does.'),
});
export type ChannelColumns = z.infer<typeof ChannelColumns>;

const Identify = z.strictObject({
  send: z.string().min(1).max(200).describe('The question, without its ending.'),
  answer: SafePattern.default('^(?<maker>[^,]*),(?<model>[^,]*),(?<serialNumber>[^,]*),(?<firmware>[^,]*)$')
    .describe('What the answer looks like; groups maker, model, serialNumber, firmware. Default: four fields with commas (IEEE 488.2).'),
  timeoutMs: z.number().min(10).max(30_000).default(1_000),
  tries: z.number().int().min(1).max(10).default(3),
});

const DataSheet = z.strictObject({
  send: z.string().min(1).max(200).describe('The question, without its ending.'),
  channel: z.number().int().min(1).max(32).default(1).describe('Whose transducer it is; the first channel is 1.'),
  timeoutMs: z.number().min(10).max(30_000).default(1_000),
  tries: z.number().int().min(1).max(10).default(3),
});

const Commands = z.strictObject({
  ending: z.string().max(8).default('\r\n').describe('Put after every command.'),
  start: z.string().min(1).max(200).optional().describe('Sent when the connection stands, for devices that do not stream by themselves.'),
  stop: z.string().min(1).max(200).optional().describe('Sent before the connection is closed.'),
  zero: z.string().min(1).max(200).optional().describe('Zeroes the device.'),
  identify: Identify.optional(),
  teds: DataSheet.optional().describe('Reads the electronic data sheet of a transducer (IEEE 1451.4) at each connection; it is answered with one line in hexadecimal or base64. The channel takes it when its transducer has teds: { from: device }.'),
});

const LineChannel = z.strictObject({
  column: column.optional().describe('Column that names the channel. With a pattern: its group "channel".'),
  names: z.array(z.string().min(1).max(20)).min(1).max(32).describe('What stands there for each channel, in order.'),
});

const Sign = z.strictObject({
  negative: words.default([]).describe('Words before or after the number that make it counter-clockwise, for example L, CCW.'),
  positive: words.default([]).describe('Words that make it clockwise, for example R, CW.'),
});

const Status = z.strictObject({
  overload: words.default(['OL', 'OVERLOAD']),
  unstable: words.default(['UNSTABLE']),
  good: words.default([]).describe('Words that mean that all is well.'),
});

const request = z.string().min(1).max(200);

const Input = z.strictObject({
  select: selectionSchema(request).optional().describe('For devices with one converter; texts without their ending.'),
  request: request.optional().describe('The question for this input. Left out: that of all.'),
});

const Poll = pollSchema(1_000, {
  request: request.describe('The question, without its ending (commands.ending); each answer is one line.'),
  inputs: z.array(Input).min(1).max(32).optional().describe('For devices that give one input at a time: the channels in order, asked one after the other in each round. "channels" then says where the torque stands in an answer.'),
});

export const AsciiLinesOptions = z.strictObject({
  delimiter: z.string().min(1).max(8).default('\n').describe('Ends a line. With the default, a carriage return before it does no harm.'),
  encoding: z.enum(['ascii', 'latin1', 'utf8']).default('ascii').describe('With ascii a byte above 127 makes a line unreadable: it is noise, or the baud rate is wrong.'),
  maxLineBytes: z.number().int().min(8).max(4_096).default(256).describe('Longer lines are discarded; garbage from a wrong baud rate looks like that.'),
  separator: z.string().min(1).max(4).optional().describe('Between columns; a space stands for any run of spaces and tabs. Left out: a comma where the channels need columns, else the whole line is one column.'),
  channels: z.array(ChannelColumns).min(1).max(32).default([{ column: 1 }]).describe('Where each channel stands in a line. Not used with a pattern.'),
  pattern: SafePattern.optional().describe('Reads the line, without blanks at its ends, instead of columns: groups value, unit, status; with several channels value1, value2 … A status without a number counts for every channel; without such a one, a channel that has no status of its own takes those of the others. An empty group, (?<status1>), leaves a channel without.'),
  lineChannel: LineChannel.optional().describe('For devices that send each channel in a line of its own, which says whose it is.'),
  decimal: z.enum(['point', 'comma']).default('point').describe('Decimal sign of the numbers.'),
  sign: Sign.prefault({}),
  status: Status.prefault({}),
  ignore: SafePattern.optional().describe('Lines without a torque that match are passed over: banners, comments, answers.'),
  commands: Commands.prefault({}),
  poll: Poll.optional().describe('For devices that send a line only when they are asked. Left out: the device streams.'),
}).superRefine((options, context) => {
  const fault = (path: (string | number)[], message: string): void => context.addIssue({ code: 'custom', path, message });
  if (options.encoding !== 'utf8' && [...options.delimiter].some((letter) => letter.codePointAt(0)! > 255)) fault(['delimiter'], `cannot be written in ${options.encoding}`);
  if (options.decimal === 'comma' && options.pattern === undefined && columnSeparator(options) === ',') {
    fault(['separator'], 'a comma cannot separate columns and be the decimal sign too');
  }
  const used = options.channels.flatMap((channel) => [channel.column, channel.unitColumn, channel.statusColumn].filter((one) => typeof one === 'number'));
  if (options.pattern === undefined && new Set(options.channels.map((channel) => channel.column)).size !== options.channels.length) {
    fault(['channels'], 'two channels stand in the same column');
  }
  if (options.lineChannel?.column !== undefined && used.includes(options.lineChannel.column)) {
    fault(['lineChannel', 'column'], 'is also the column of something else');
  }
  if (options.pattern !== undefined) {
    const names = groupNames(options.pattern);
    if (!names.some((name) => /^value\d*$/.test(name))) fault(['pattern'], 'needs a group (?<value>…), or (?<value1>…), (?<value2>…) …');
    if (options.lineChannel && !names.includes('channel')) fault(['pattern'], 'needs a group (?<channel>…), because lineChannel is set');
    if (options.lineChannel && !names.includes('value')) fault(['pattern'], 'needs a group (?<value>…), because lineChannel is set');
  }
  const { teds } = options.commands;
  if (teds && teds.channel > channelCount(options)) fault(['commands', 'teds', 'channel'], `is ${teds.channel}; there are ${channelCount(options)} channels`);
  const inputs = options.poll?.inputs;
  if (inputs) {
    if (lineChannelCount(options) !== 1) fault(['poll', 'inputs'], 'an answer carries one channel there; give one place in "channels", or one group "value"');
    const tooFast = selectionFault(options.poll?.rateHz, inputs.map(({ select }) => select));
    if (tooFast !== null) fault(['poll', 'rateHz'], tooFast);
  }
  if (options.poll && options.lineChannel) fault(['poll'], 'one question gives one line, which cannot carry every channel when lineChannel is set');
  if (options.lineChannel) {
    if (options.pattern === undefined && options.lineChannel.column === undefined) fault(['lineChannel', 'column'], 'is needed without a pattern');
    if (options.pattern === undefined && options.channels.length !== 1) fault(['channels'], 'gives one place, because every line carries one channel');
    if (new Set(options.lineChannel.names).size !== options.lineChannel.names.length) fault(['lineChannel', 'names'], 'two channels have the same name');
  }
});
export type AsciiLinesOptions = z.infer<typeof AsciiLinesOptions>;

/**
 * What separates columns; null: the whole line is one. Not a comma by default, or the line `12,34` of a device with a
 * decimal comma would be read as 12.
 */
export function columnSeparator(options: {
  readonly separator?: string | undefined; readonly channels: readonly ChannelColumns[]; readonly lineChannel?: unknown;
}): string | null {
  if (options.separator !== undefined) return options.separator;
  const needsColumns = options.lineChannel !== undefined || options.channels.length > 1
    || options.channels.some((channel) => channel.column > 1 || channel.unitColumn !== undefined || typeof channel.statusColumn === 'number');
  return needsColumns ? ',' : null;
}

/** How many channels the options describe. */
export function channelCount(options: AsciiLinesOptions): number {
  return options.poll?.inputs?.length ?? lineChannelCount(options);
}

/** How many channels a line carries. */
export function lineChannelCount(options: Pick<AsciiLinesOptions, 'lineChannel' | 'pattern' | 'channels'>): number {
  if (options.lineChannel) return options.lineChannel.names.length;
  if (options.pattern === undefined) return options.channels.length;
  return groupNames(options.pattern).filter((name) => /^value\d*$/.test(name)).length;
}

/** Longest line: that of values, or of a data sheet where one is asked for. */
export function longestLineBytes({ maxLineBytes, commands }: AsciiLinesOptions): number {
  return commands.teds ? Math.max(maxLineBytes, TEDS_LINE_BYTES) : maxLineBytes;
}

/** Text as the device reads it. */
export function encodeText(text: string, options: { readonly encoding: AsciiLinesOptions['encoding'] }): Uint8Array {
  return options.encoding === 'utf8' ? new TextEncoder().encode(text) : Uint8Array.from(text, (letter) => letter.charCodeAt(0) & 0xff);
}
