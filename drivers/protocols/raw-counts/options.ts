/** Settings of the driver `raw-counts`: how a bridge amplifier sends the counts of its converters. */
import * as z from 'zod';
import { CHECKSUM_NAMES } from '../../framing/checksum.ts';
import { ByteOrder, DATA_SHEET_HELP, DataSheetCommand, HexBytes, dataSheetFault, hexBytes } from '../../values/layout.ts';

export const RawCountsOptions = z.strictObject({
  framing: z.enum(['sync', 'cobs', 'slip']).default('sync').describe('How frames are told apart: by sync bytes and their length, or by COBS or SLIP.'),
  sync: HexBytes.optional().describe('With framing sync: the bytes with which every frame begins, in hexadecimal.'),
  counter: z.enum(['u8', 'u16', 'u32']).optional().describe('A counter of frames behind the sync bytes. Left out: there is none, and lost frames are guessed from lost bytes.'),
  channels: z.number().int().min(1).max(32).default(1).describe('Converters; each sample has their counts one behind the other.'),
  bits: z.union([z.literal(8), z.literal(16), z.literal(24), z.literal(32)]).default(24).describe('Bits of a count.'),
  coding: z.enum(['signed', 'offset']).default('signed').describe('signed: two\'s complement. offset: from 0, with half the range at no signal; half the range is taken off.'),
  byteOrder: ByteOrder.default('big'),
  samples: z.number().int().min(1).max(256).default(1).describe('Samples in a frame, one behind the other.'),
  checksum: z.enum(CHECKSUM_NAMES).optional().describe('Checksum over everything before it, at the end of the frame.'),
  checksumFrom: z.number().int().min(0).max(16).default(0).describe('First byte that the checksum covers; as many as there are sync bytes leaves those out.'),
  commands: z.strictObject({
    start: HexBytes.optional().describe('Sent when the connection stands, in hexadecimal.'),
    stop: HexBytes.optional().describe('Sent before the connection is closed.'),
    teds: DataSheetCommand.optional().describe(DATA_SHEET_HELP),
  }).prefault({}),
}).superRefine((options, context) => {
  const fault = (name: string, message: string): void => context.addIssue({ code: 'custom', path: [name], message });
  if (options.framing === 'sync' && options.sync === undefined) fault('sync', 'needed are the bytes with which a frame begins');
  if (options.framing !== 'sync' && options.sync !== undefined) fault('sync', `frames of ${options.framing} have none`);
  if (options.sync !== undefined && hexBytes(options.sync).length > 16) fault('sync', 'has more than 16 bytes');
  if (options.checksumFrom > (options.sync === undefined ? 0 : hexBytes(options.sync).length)) fault('checksumFrom', 'leaves out more than the sync bytes');
  const sheetFault = dataSheetFault(options.commands, options.channels);
  if (sheetFault !== null) context.addIssue({ code: 'custom', path: ['commands', 'teds'], message: sheetFault });
  if (options.channels * options.samples * (options.bits / 8) > 3_072) fault('samples', 'makes the frame longer than 3072 bytes');
});
export type RawCountsOptions = z.infer<typeof RawCountsOptions>;
