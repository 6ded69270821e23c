/** How the values of an instrument lie in its binary frames: settings, and what follows from them. */
import * as z from 'zod';
import { CHECKSUM_NAMES, checksum } from '../framing/checksum.ts';
import { NUMBER_TYPES, numberBytes } from './number-types.ts';

const offset = z.number().int().min(0).max(4_095);
const bit = z.number().int().min(0).max(31);

/** Bytes in hexadecimal, for example `a5 5a`. */
export const HexBytes = z.string().regex(/^\s*(?:[0-9a-fA-F]{2}\s*)+$/, 'write bytes as pairs of hexadecimal digits, for example "a5 5a"');

export const ByteOrder = z.enum(['big', 'little']);
export type ByteOrder = z.infer<typeof ByteOrder>;

const EmbeddedLength = z.strictObject({
  at: offset.describe('Where it stands in the frame; the first byte is 0.'),
  type: z.enum(['u8', 'u16', 'u24', 'u32']).default('u8'),
  byteOrder: ByteOrder.optional(),
  add: z.number().int().min(-64).max(4_096).default(0).describe('Added to it to give the bytes of the whole frame, sync bytes and checksum included.'),
  max: z.number().int().min(2).max(4_096).default(256).describe('Bytes of the longest frame; a greater length is taken for noise.'),
});

const frameBytes = z.number().int().min(2).max(4_096);

export const FramingSettings = z.discriminatedUnion('kind', [
  z.strictObject({
    kind: z.literal('sync').describe('Frames begin with sync bytes.'),
    bytes: HexBytes.describe('The sync bytes in hexadecimal, at most 16.'),
    length: z.union([frameBytes, EmbeddedLength]).describe('Bytes of the whole frame, or where its length stands in it.'),
    end: HexBytes.optional().describe('Bytes with which every frame ends, in hexadecimal.'),
  }),
  z.strictObject({ kind: z.literal('fixed').describe('Frames of one length without sync bytes, found by their checksum.'), length: frameBytes.max(64) }),
  z.strictObject({ kind: z.literal('cobs').describe('Frames coded by COBS, each ended by a zero byte.'), maxBytes: frameBytes.default(256) }),
  z.strictObject({ kind: z.literal('slip').describe('Frames coded by SLIP (RFC 1055).'), maxBytes: frameBytes.default(256) }),
]);
export type FramingSettings = z.infer<typeof FramingSettings>;

const StatusBits = z.strictObject({
  at: offset,
  type: z.enum(['u8', 'u16', 'u24', 'u32']).default('u8'),
  byteOrder: ByteOrder.optional(),
  overload: z.array(bit).default([]).describe('Bits that mean overload; 0 is the lowest.'),
  unstable: z.array(bit).default([]).describe('Bits that mean that the value is not steady.'),
  invalid: z.array(bit).default([]).describe('Bits that mean that there is no value.'),
  negative: z.array(bit).default([]).describe('Bits that make the value negative, for devices that send sign and magnitude.'),
});
export type StatusBits = z.infer<typeof StatusBits>;

const ChannelPlace = z.strictObject({
  at: offset.describe('Where the value stands in the frame; the first byte is 0. With COBS and SLIP: in the decoded frame.'),
  type: z.enum(NUMBER_TYPES).describe('bcd: packed decimal digits, two a byte, first the highest.'),
  bytes: z.number().int().min(1).max(7).optional().describe('Bytes of a bcd value.'),
  byteOrder: ByteOrder.optional(),
  scale: z.number().refine((value) => value !== 0, 'must not be 0').default(1).describe('Value = number × scale + offset.'),
  offset: z.number().default(0),
  overloadBelow: z.number().optional().describe('A number at or below this means overload: the converter is at its stop.'),
  overloadAbove: z.number().optional().describe('A number at or above this means overload.'),
  status: StatusBits.nullable().optional().describe('Status bits of this channel. Left out: those of the other channels count for this one too, but for negative; null: none do.'),
});
export type ChannelPlace = z.infer<typeof ChannelPlace>;

const Counter = z.strictObject({
  at: offset,
  type: z.enum(['u8', 'u16', 'u24', 'u32']).default('u8'),
  byteOrder: ByteOrder.optional(),
  modulo: z.number().int().min(2).max(2 ** 32).optional().describe('Begins again at 0 after so many; left out: when its bytes are full.'),
  step: z.number().int().min(1).max(65_535).default(1).describe('By how much it rises from frame to frame.'),
  mostLost: z.number().int().min(1).max(100_000).default(10_000).describe('A jump over more frames means that the device began anew.'),
});

const FrameChannel = z.strictObject({
  at: offset,
  type: z.enum(['u8', 'u16']).default('u8'),
  byteOrder: ByteOrder.optional(),
  numbers: z.array(z.number().int().min(0).max(65_535)).min(1).max(32).describe('What stands there for each channel, in order.'),
});

const ChecksumPlace = z.strictObject({
  name: z.enum(CHECKSUM_NAMES).describe('By its name in the CRC catalogue. "CRC-16/CCITT" means three different ones: CRC-16/IBM-3740, CRC-16/XMODEM, CRC-16/KERMIT.'),
  byteOrder: ByteOrder.optional(),
  from: offset.default(0).describe('First byte that it covers; it covers all from there up to itself.'),
  after: z.number().int().min(0).max(64).default(0).describe('Bytes that follow it in the frame.'),
});

const Samples = z.strictObject({
  count: z.union([z.number().int().min(1).max(512), z.literal('by-length')]).describe('Samples of each channel in a frame; by-length: as many as fit.'),
  stride: z.number().int().min(1).max(512).describe('Bytes from one sample to the next; places of channels are those of the first.'),
});

/** How a device that streams frames is asked for the data sheet of a transducer. */
export const DataSheetCommand = z.strictObject({
  send: HexBytes.describe('The question, in hexadecimal.'),
  bytes: z.number().int().min(8).max(4_096).default(128).describe('Length of the answer, which is the content of the memory as it is.'),
  channel: z.number().int().min(1).max(32).default(1).describe('Whose transducer it is; the first channel is 1.'),
  timeoutMs: z.number().min(10).max(30_000).default(500),
  tries: z.number().int().min(1).max(10).default(3),
});
export type DataSheetCommand = z.infer<typeof DataSheetCommand>;

export const DATA_SHEET_HELP = 'Reads the electronic data sheet of a transducer (IEEE 1451.4) at each connection, before the start command. The channel takes it when its transducer has teds: { from: device }.';

/** What speaks against it, or null. */
export function dataSheetFault({ start, teds }: { readonly start?: string | undefined; readonly teds?: DataSheetCommand | undefined }, channels: number): string | null {
  if (teds === undefined) return null;
  if (start === undefined) return 'needs a start command too: only while the device is silent can its answer be told from frames';
  return teds.channel > channels ? `is for channel ${teds.channel}; there are ${channels}` : null;
}

const Commands = z.strictObject({
  start: HexBytes.optional().describe('Sent when the connection stands, in hexadecimal.'),
  stop: HexBytes.optional().describe('Sent before the connection is closed.'),
  zero: HexBytes.optional().describe('Zeroes the device.'),
  teds: DataSheetCommand.optional().describe(DATA_SHEET_HELP),
});

/** The settings of a layout, without the checks between them. */
const LayoutShape = z.strictObject({
  framing: FramingSettings.describe('How frames are told apart.'),
  byteOrder: ByteOrder.default('big').describe('Order of the bytes of a number, where it does not say its own.'),
  only: z.strictObject({ at: offset, bytes: HexBytes }).optional().describe('Frames that do not have these bytes there are of another kind and passed over.'),
  channels: z.array(ChannelPlace).min(1).max(32).describe('Where the value of each channel stands, in order.'),
  samples: Samples.optional().describe('For frames with several samples of each channel.'),
  frameChannel: FrameChannel.optional().describe('For devices that send each channel in a frame of its own, which says whose it is; channels then has one entry.'),
  counter: Counter.optional().describe('Counts frames, so that lost ones are noticed and counted.'),
  status: StatusBits.optional().describe('Status bits of all channels.'),
  checksum: ChecksumPlace.optional(),
  commands: Commands.prefault({}),
});
export type Layout = z.infer<typeof LayoutShape>;

/** Protection that no frame may lack: so few bits are hit by chance in every few hundred bytes of noise. */
const LEAST_BITS = 8;

export const LayoutSettings = LayoutShape.superRefine((layout, context) => {
  const fault = (path: (string | number)[], message: string): void => context.addIssue({ code: 'custom', path, message });
  const { framing } = layout;
  const room = roomOf(layout);
  const fits = (path: (string | number)[], at: number, size: number): void => {
    if (room !== null && at + size > room) fault(path, `reaches to byte ${at + size}, but the frame has ${room}${layout.checksum ? ' without its checksum' : ''}`);
  };
  if (framing.kind === 'sync') {
    if (hexBytes(framing.bytes).length > 16) fault(['framing', 'bytes'], 'has more than 16 bytes');
    if (typeof framing.length !== 'number' && framing.length.at + numberBytes(framing.length.type) > framing.length.max) fault(['framing', 'length', 'at'], 'is beyond the longest frame');
  }
  if (framing.kind === 'fixed' && !layout.checksum) fault(['checksum'], 'is needed: without sync bytes only a checksum tells where frames begin');
  if (protectionBits(layout) < LEAST_BITS) fault(['framing'], 'needs sync bytes or a checksum');
  layout.channels.forEach((channel, i) => {
    fits(['channels', i, 'at'], channel.at, channelBytes(channel));
    if (channel.type === 'bcd' && channel.bytes === undefined) fault(['channels', i, 'bytes'], 'is needed for bcd');
    if (channel.type !== 'bcd' && channel.bytes !== undefined) fault(['channels', i, 'bytes'], `is for bcd only; ${channel.type} says its size itself`);
    if (channel.status) fits(['channels', i, 'status', 'at'], channel.status.at, numberBytes(channel.status.type));
  });
  const sheetFault = dataSheetFault(layout.commands, layoutChannels(layout));
  if (sheetFault !== null) fault(['commands', 'teds'], sheetFault);
  const places = layout.channels.map((channel) => channel.at);
  if (new Set(places).size !== places.length) fault(['channels'], 'two channels stand in the same place');
  if (layout.status) fits(['status', 'at'], layout.status.at, numberBytes(layout.status.type));
  if (layout.counter) {
    const { at, type, modulo, step } = layout.counter;
    fits(['counter', 'at'], at, numberBytes(type));
    if (modulo !== undefined && modulo > 256 ** numberBytes(type)) fault(['counter', 'modulo'], `does not fit into ${type}`);
    if ((modulo ?? 256 ** numberBytes(type)) % step !== 0) fault(['counter', 'step'], 'must divide the number after which the counter begins again');
  }
  if (layout.checksum && room !== null && layout.checksum.from >= room) fault(['checksum', 'from'], `leaves nothing to cover of the ${room} bytes before the checksum`);
  if (layout.only) fits(['only', 'at'], layout.only.at, hexBytes(layout.only.bytes).length);
  if (layout.frameChannel) {
    const { at, type, numbers } = layout.frameChannel;
    fits(['frameChannel', 'at'], at, numberBytes(type));
    if (layout.channels.length !== 1) fault(['channels'], 'gives one place, because every frame carries one channel');
    if (new Set(numbers).size !== numbers.length) fault(['frameChannel', 'numbers'], 'two channels have the same number');
  }
  if (typeof layout.samples?.count === 'number') {
    const { count, stride } = layout.samples;
    layout.channels.forEach((channel, i) => fits(['samples', 'count'], channel.at + (count - 1) * stride, channelBytes(layout.channels[i]!)));
  }
  if (layout.samples) {
    const { stride } = layout.samples;
    const span = Math.max(...layout.channels.map((channel) => channel.at + channelBytes(channel))) - Math.min(...places);
    if (span > stride) fault(['samples', 'stride'], `must be at least ${span}, or a sample overlaps the next`);
  }
});

/** How many channels the layout describes. */
export function layoutChannels(layout: Layout): number {
  return layout.frameChannel ? layout.frameChannel.numbers.length : layout.channels.length;
}

export function channelBytes(channel: { readonly type: ChannelPlace['type']; readonly bytes?: number | undefined }): number {
  return channel.type === 'bcd' ? channel.bytes ?? 1 : numberBytes(channel.type);
}

/** Bytes at the end of a frame that hold its checksum and what follows it. */
export function tailBytes({ checksum: place, framing }: Pick<Layout, 'checksum' | 'framing'>): number {
  const end = framing.kind === 'sync' && framing.end !== undefined ? hexBytes(framing.end).length : 0;
  return Math.max(end, place ? checksum(place.name).bytes + place.after : 0);
}

/** @param text checked by `HexBytes` */
export function hexBytes(text: string): Uint8Array {
  return Uint8Array.from(text.match(/[0-9a-fA-F]{2}/g) ?? [], (pair) => Number.parseInt(pair, 16));
}

/** Bytes of a frame of one length that values may take; null where lengths differ. */
function roomOf(layout: Layout): number | null {
  const { framing } = layout;
  const length = framing.kind === 'sync' || framing.kind === 'fixed' ? framing.length : null;
  return typeof length === 'number' ? length - tailBytes(layout) : null;
}

/** Bits that a piece of noise must hit to be taken for a frame, delimiters counted as sync bytes. */
function protectionBits({ framing, checksum: place }: Layout): number {
  const sync = framing.kind === 'sync' ? hexBytes(framing.bytes).length : framing.kind === 'fixed' ? 0 : 1;
  return 8 * (sync + (place ? checksum(place.name).bytes : 0));
}
