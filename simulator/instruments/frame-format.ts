/** How a virtual instrument packs its values into frames. Written for the simulator alone; shares nothing with the gateway's reader. */
import * as z from 'zod';
import { CRC_NAMES, crcBytes, crcOf } from './checksums.ts';

const hex = z.string().regex(/^\s*(?:[0-9a-fA-F]{2}\s*)+$/, 'write bytes as pairs of hexadecimal digits, for example "a5 5a"');
const FRAME_TYPES = ['i16', 'i24', 'i32', 'f32', 'f64'] as const;

/** Sync bytes, number of the channel when interleaved, counter, the values, a byte of status, the CRC over all before it. */
export const FrameFormat = z.strictObject({
  framing: z.enum(['sync', 'cobs', 'slip']).default('sync'),
  sync: hex.default('a5 5a').describe('With framing sync: the bytes with which a frame begins.'),
  byteOrder: z.enum(['big', 'little']).default('little'),
  counter: z.enum(['u8', 'u16']).nullable().default('u8'),
  type: z.enum(FRAME_TYPES).default('i24'),
  scale: z.number().positive().default(0.0001).describe('One step of a whole number; not used with f32 and f64.'),
  channels: z.enum(['together', 'interleaved']).default('together').describe('All in one frame, or each in a frame of its own that bears its number, from 0.'),
  status: z.boolean().default(false).describe('A byte behind the values whose bit 0 means overload.'),
  checksum: z.enum(CRC_NAMES).nullable().default('CRC-16/MODBUS'),
  commands: z.strictObject({
    start: hex.optional(), stop: hex.optional(), zero: hex.optional(),
    dataSheet: hex.optional().describe('Answered with the memory image of the first channel\'s data sheet, as it is.'),
  }).prefault({}),
});
export type FrameFormat = z.infer<typeof FrameFormat>;

/** Where the parts of a frame stand; 0 is its first byte (decoded, with COBS and SLIP). */
export interface FramePlaces {
  readonly channelNumberAt: number | null;
  readonly counterAt: number | null;
  readonly valuesAt: number;
  readonly valueBytes: number;
  readonly statusAt: number | null;
  /** Whole frame, decoded. */
  readonly length: number;
}

export function hexToBytes(text: string): Uint8Array {
  return Uint8Array.from(Buffer.from(text.replace(/\s/g, ''), 'hex'));
}

export function framePlaces(format: FrameFormat, channels: number): FramePlaces {
  let at = format.framing === 'sync' ? hexToBytes(format.sync).length : 0;
  const take = (bytes: number): number => {
    at += bytes;
    return at - bytes;
  };
  const isInterleaved = format.channels === 'interleaved';
  const valueBytes = Number(format.type.slice(1)) / 8;
  const channelNumberAt = isInterleaved ? take(1) : null;
  const counterAt = format.counter === null ? null : take(format.counter === 'u8' ? 1 : 2);
  const valuesAt = take(valueBytes * (isInterleaved ? 1 : channels));
  const statusAt = format.status ? take(1) : null;
  take(format.checksum === null ? 0 : crcBytes(format.checksum));
  return { channelNumberAt, counterAt, valuesAt, valueBytes, statusAt, length: at };
}

export interface FrameFacts {
  readonly counter: number;
  readonly isOverloaded: boolean;
  /** Of an interleaved frame. */
  readonly channel: number;
}

/** A function from values as shown and facts to the bytes of one frame. */
export function frameWriter(format: FrameFormat, channels: number): (values: Float64Array, facts: FrameFacts) => Uint8Array {
  const places = framePlaces(format, channels);
  const sync = format.framing === 'sync' ? hexToBytes(format.sync) : new Uint8Array(0);
  const number = (bytes: Uint8Array, at: number, size: number, value: number): void => {
    for (let i = 0; i < size; i++) {
      bytes[at + (format.byteOrder === 'little' ? i : size - 1 - i)] = Math.floor(value / 256 ** i) & 0xff;
    }
  };
  return (values, facts) => {
    const bytes = new Uint8Array(places.length);
    bytes.set(sync);
    if (places.channelNumberAt !== null) bytes[places.channelNumberAt] = facts.channel;
    if (places.counterAt !== null) number(bytes, places.counterAt, format.counter === 'u8' ? 1 : 2, facts.counter);
    values.forEach((value, i) => {
      const at = places.valuesAt + i * places.valueBytes;
      if (format.type === 'f32') new DataView(bytes.buffer).setFloat32(at, value, format.byteOrder === 'little');
      else if (format.type === 'f64') new DataView(bytes.buffer).setFloat64(at, value, format.byteOrder === 'little');
      else number(bytes, at, places.valueBytes, held(Math.round(value / format.scale), 8 * places.valueBytes));
    });
    if (places.statusAt !== null) bytes[places.statusAt] = facts.isOverloaded ? 1 : 0;
    if (format.checksum !== null) {
      const size = crcBytes(format.checksum);
      number(bytes, places.length - size, size, crcOf(format.checksum, bytes.subarray(0, places.length - size)));
    }
    return format.framing === 'cobs' ? cobs(bytes) : format.framing === 'slip' ? slip(bytes) : bytes;
  };
}

/** A whole number that does not fit stands at the end of its range, as a converter's does. */
function held(value: number, bits: number): number {
  return Math.max(-(2 ** (bits - 1)), Math.min(2 ** (bits - 1) - 1, value));
}

/** Consistent overhead byte stuffing: groups of up to 254 bytes without a zero, each led by its length plus one; then a zero. */
export function cobs(bytes: Uint8Array): Uint8Array {
  const out: number[] = [];
  let group: number[] = [];
  const close = (): void => {
    out.push(group.length + 1, ...group);
    group = [];
  };
  let isOpen = true;
  for (const byte of bytes) {
    isOpen = true;
    if (byte === 0) {
      close();
      continue;
    }
    group.push(byte);
    if (group.length === 254) {
      close();
      isOpen = false;
    }
  }
  if (isOpen) close();
  return Uint8Array.from([...out, 0]);
}

/** RFC 1055, with an END before the frame too, so that noise before it ends there. */
export function slip(bytes: Uint8Array): Uint8Array {
  const body = Array.from(bytes, (byte) => (byte === 0xc0 ? [0xdb, 0xdc] : byte === 0xdb ? [0xdb, 0xdd] : [byte])).flat();
  return Uint8Array.from([0xc0, ...body, 0xc0]);
}
