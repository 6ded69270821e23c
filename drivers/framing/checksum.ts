/**
 * Checksums by name. The CRCs bear the names of the public CRC catalogue, where each is one exact set of parameters;
 * names that mean different ones to different people ("CRC-16/CCITT") are not known here. Table-driven, one byte a step.
 */

/** A checksum over a stretch of bytes. */
export interface Checksum {
  readonly name: ChecksumName;
  /** Width in bytes. */
  readonly bytes: 1 | 2 | 4;
  /** Over `data[start]` up to, not including, `data[end]`; not negative. */
  compute(data: Uint8Array, start: number, end: number): number;
}

interface CrcParameters {
  readonly width: 8 | 16 | 32;
  readonly poly: number;
  readonly init: number;
  /** Input and output bits, least significant first. */
  readonly isReflected: boolean;
  readonly xorOut: number;
}

const crc = (width: 8 | 16 | 32, poly: number, init: number, isReflected: boolean, xorOut: number): CrcParameters => ({ width, poly, init, isReflected, xorOut });

const CRC_CATALOGUE = {
  'CRC-8/MAXIM-DOW': crc(8, 0x31, 0, true, 0),
  'CRC-8/SMBUS': crc(8, 0x07, 0, false, 0),
  'CRC-16/ARC': crc(16, 0x8005, 0, true, 0),
  'CRC-16/GENIBUS': crc(16, 0x1021, 0xffff, false, 0xffff),
  'CRC-16/IBM-3740': crc(16, 0x1021, 0xffff, false, 0),
  'CRC-16/IBM-SDLC': crc(16, 0x1021, 0xffff, true, 0xffff),
  'CRC-16/KERMIT': crc(16, 0x1021, 0, true, 0),
  'CRC-16/MAXIM-DOW': crc(16, 0x8005, 0, true, 0xffff),
  'CRC-16/MODBUS': crc(16, 0x8005, 0xffff, true, 0),
  'CRC-16/XMODEM': crc(16, 0x1021, 0, false, 0),
  'CRC-32/ISO-HDLC': crc(32, 0x04c11db7, 0xffffffff, true, 0xffffffff),
} as const;

/**
 * Sums: of all bytes, or what makes the sum of all bytes and itself zero, or the exclusive or of all bytes. They miss
 * much that a CRC finds.
 */
const SUMS = {
  'SUM-8': { bytes: 1, compute: (data, start, end) => sum(data, start, end) & 0xff },
  'SUM-8/ZERO': { bytes: 1, compute: (data, start, end) => -sum(data, start, end) & 0xff },
  'SUM-16': { bytes: 2, compute: (data, start, end) => sum(data, start, end) & 0xffff },
  'XOR-8': {
    bytes: 1,
    compute: (data, start, end) => {
      let value = 0;
      for (let i = start; i < end; i++) value ^= data[i]!;
      return value;
    },
  },
} as const satisfies Record<string, Omit<Checksum, 'name'>>;

export type ChecksumName = keyof typeof CRC_CATALOGUE | keyof typeof SUMS;

export const CHECKSUM_NAMES = [...Object.keys(CRC_CATALOGUE), ...Object.keys(SUMS)] as readonly ChecksumName[] as readonly [ChecksumName, ...ChecksumName[]];

const made = new Map<ChecksumName, Checksum>();

export function checksum(name: ChecksumName): Checksum {
  const known = made.get(name);
  if (known) return known;
  const fresh: Checksum = name in SUMS ? { name, ...SUMS[name as keyof typeof SUMS] } : makeCrc(name, CRC_CATALOGUE[name as keyof typeof CRC_CATALOGUE]);
  made.set(name, fresh);
  return fresh;
}

function sum(data: Uint8Array, start: number, end: number): number {
  let value = 0;
  for (let i = start; i < end; i++) value += data[i]!;
  return value;
}

function makeCrc(name: ChecksumName, parameters: CrcParameters): Checksum {
  const { width, xorOut, isReflected } = parameters;
  const bytes = (width / 8) as 1 | 2 | 4;
  if (isReflected) {
    const table = reflectedTable(parameters);
    const init = reflect(parameters.init, width);
    return {
      name, bytes,
      compute: (data, start, end) => {
        let value = init;
        for (let i = start; i < end; i++) value = (value >>> 8) ^ table[(value ^ data[i]!) & 0xff]!;
        return (value ^ xorOut) >>> 0;
      },
    };
  }
  const table = forwardTable(parameters);
  const shift = width - 8;
  const mask = width === 32 ? 0xffffffff : (1 << width) - 1;
  return {
    name, bytes,
    compute: (data, start, end) => {
      let value = parameters.init;
      for (let i = start; i < end; i++) value = ((value << 8) & mask) ^ table[((value >>> shift) ^ data[i]!) & 0xff]!;
      return ((value ^ xorOut) & mask) >>> 0;
    },
  };
}

function reflectedTable({ width, poly }: CrcParameters): Uint32Array {
  const reversed = reflect(poly, width);
  return Uint32Array.from({ length: 256 }, (_, byte) => {
    let value = byte;
    for (let bit = 0; bit < 8; bit++) value = value & 1 ? (value >>> 1) ^ reversed : value >>> 1;
    return value;
  });
}

function forwardTable({ width, poly }: CrcParameters): Uint32Array {
  const top = 2 ** (width - 1);
  const mask = width === 32 ? 0xffffffff : (1 << width) - 1;
  return Uint32Array.from({ length: 256 }, (_, byte) => {
    let value = (byte << (width - 8)) >>> 0;
    for (let bit = 0; bit < 8; bit++) value = ((value & top ? (value << 1) ^ poly : value << 1) & mask) >>> 0;
    return value;
  });
}

function reflect(value: number, width: number): number {
  let reversed = 0;
  for (let bit = 0; bit < width; bit++) if ((value >>> bit) & 1) reversed |= 1 << (width - 1 - bit);
  return reversed >>> 0;
}
