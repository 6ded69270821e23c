/**
 * Samples to bytes and back, without loss: bit for bit, NaN payloads and negative zeros included.
 *
 * What a device prints or counts is a whole number of its smallest step. So a trace is stored as integer counts with
 * a decimal exponent (value = count * step / 10^exponent) or a binary one (count * step / 2^exponent), as differences
 * of order 0, 1 or 2, folded to unsigned, split into byte planes and deflated. What fits neither is stored as its
 * doubles, in byte planes too. Each encoding is proved on every sample before it is used.
 *
 * Layout, little-endian, version 1:
 *
 *     offset size
 *     0      1    version, 1
 *     1      1    encoding: 0 doubles, 1 decimal counts, 2 binary counts
 *     2      1    exponent
 *     3      1    bits 0-1 order of difference, bit 2 status present
 *     4      1    bytes per sample (planes)
 *     5      4    number of samples
 *     9      4    step, in units of the exponent
 *     13     4    number of negative zeros
 *     17     4    CRC-32 of the samples as doubles, then of the status bytes
 *     21     n    sections, each a length (4) and so many bytes of raw deflate: the planes from the lowest byte up; the
 *                 status bytes if present; if there are negative zeros, their distances, the first from -1 (LEB128)
 *     21+n   4    CRC-32 of everything before
 *
 * Each plane is deflated by itself because its Huffman code is its own.
 */
import { constants, crc32, deflateRawSync, inflateRawSync } from 'node:zlib';
import { TorsiondError } from '../../shared/errors.ts';

const VERSION = 1;
const HEADER_BYTES = 21;
const RAW = 0;
const DECIMAL = 1;
const BINARY = 2;
const HIGHEST_DECIMAL = 9;
const HIGHEST_BINARY = 40;
/** Counts stay below this, so that second differences are still exact as doubles and folding them stays below 2^53. */
const COUNT_LIMIT = 2 ** 50;
/** Added and taken off again it rounds to a whole number, up to 2^51 (1.5 * 2^52). */
const ROUNDER = 6_755_399_441_055_744;
/** Counts below this take the 32-bit way: second differences, folded, still fit. */
const SHORT_LIMIT = 2 ** 29;
/** More samples than any cycle has; guards the memory when a header lies. */
const MOST_SAMPLES = 2 ** 27;
/** Runs and Huffman codes only: differences of a noisy signal hold no longer matches, and looking for them costs most of the time. */
const DEFLATE = { level: 6, memLevel: 7, windowBits: 12, strategy: constants.Z_RLE } as const;

export interface Samples {
  readonly device: Float64Array;
  /** STATUS bits per sample, or null when all are clean. */
  readonly status: Uint8Array | null;
}

interface Counts {
  readonly encoding: typeof DECIMAL | typeof BINARY;
  readonly exponent: number;
  readonly step: number;
  /** Whole numbers; value = counts[i] * step / base^exponent. */
  readonly counts: Float64Array;
  /** Whether second differences fit 32 bits. */
  readonly isShort: boolean;
  readonly negativeZeros: readonly number[];
}

/**
 * @param device any doubles
 * @param status as long as `device`, or null
 * @throws TorsiondError INTERNAL when the lengths differ or there are more than 2^27 samples
 */
export function encodeSamples(device: Float64Array, status: Uint8Array | null): Uint8Array {
  if (status !== null && status.length !== device.length) {
    throw new TorsiondError('INTERNAL', `a trace has ${device.length} samples and ${status.length} status bytes`);
  }
  if (device.length > MOST_SAMPLES) throw new TorsiondError('INTERNAL', `a trace of ${device.length} samples is too long to store`);
  const counts = asCounts(device);
  const { planes, order, bytesPerSample } = counts === null
    ? { planes: split(new Uint8Array(device.buffer, device.byteOffset, device.byteLength), 8), order: 0, bytesPerSample: 8 }
    : shortest(counts.counts, counts.isShort);
  const sections: Buffer[] = [];
  for (let plane = 0; plane < bytesPerSample; plane += 1) sections.push(deflate(planes.subarray(plane * device.length, (plane + 1) * device.length)));
  if (status !== null) sections.push(deflate(status));
  if (counts !== null && counts.negativeZeros.length > 0) sections.push(deflate(leb128(counts.negativeZeros)));

  const encoded = Buffer.allocUnsafe(sections.reduce((sum, section) => sum + 4 + section.length, HEADER_BYTES + 4));
  encoded[0] = VERSION;
  encoded[1] = counts?.encoding ?? RAW;
  encoded[2] = counts?.exponent ?? 0;
  encoded[3] = order | (status === null ? 0 : 4);
  encoded[4] = bytesPerSample;
  encoded.writeUInt32LE(device.length, 5);
  encoded.writeUInt32LE(counts?.step ?? 1, 9);
  encoded.writeUInt32LE(counts?.negativeZeros.length ?? 0, 13);
  encoded.writeUInt32LE(checksum(device, status), 17);
  let at = HEADER_BYTES;
  for (const section of sections) {
    encoded.writeUInt32LE(section.length, at);
    encoded.set(section, at + 4);
    at += 4 + section.length;
  }
  encoded.writeUInt32LE(crc32(encoded.subarray(0, encoded.length - 4)), encoded.length - 4);
  return encoded;
}

/**
 * @returns new arrays, bit-identical to what was encoded
 * @throws TorsiondError STORE_CHAIN when the bytes are not what `encodeSamples` gave; never wrong values
 */
export function decodeSamples(encoded: Uint8Array): Samples {
  const bytes = Buffer.from(encoded.buffer, encoded.byteOffset, encoded.byteLength);
  if (bytes.length < HEADER_BYTES + 4) throw damaged('it is cut');
  if (bytes[0] !== VERSION) throw damaged(`its format is ${bytes[0]}, known is ${VERSION}`);
  if (crc32(bytes.subarray(0, bytes.length - 4)) !== bytes.readUInt32LE(bytes.length - 4)) throw damaged('its bytes do not match their checksum');
  const header = {
    encoding: bytes[1]!, exponent: bytes[2]!, order: bytes[3]! & 3, hasStatus: (bytes[3]! & 4) !== 0, bytesPerSample: bytes[4]!,
    length: bytes.readUInt32LE(5), step: bytes.readUInt32LE(9), negativeZeros: bytes.readUInt32LE(13),
  };
  if (header.length > MOST_SAMPLES || header.bytesPerSample > 8) throw damaged('its header makes no sense');
  const sections = new SectionReader(bytes.subarray(HEADER_BYTES, bytes.length - 4));
  const planes = Array.from({ length: header.bytesPerSample }, () => sections.next(header.length));
  const device = header.encoding === RAW ? rawValues(planes, header) : countedValues(planes, header);
  const status = header.hasStatus ? new Uint8Array(sections.next(header.length)) : null;
  if (header.negativeZeros > 0) restoreNegativeZeros(device, sections.next(header.negativeZeros * 5, 'at most'), header.negativeZeros);
  sections.end();
  if (checksum(device, status) !== bytes.readUInt32LE(17)) throw damaged('its values do not match their checksum');
  return { device, status };
}

function asCounts(values: Float64Array): Counts | null {
  const decimal = scaled(values, 10, HIGHEST_DECIMAL);
  const found = decimal ?? scaled(values, 2, HIGHEST_BINARY);
  if (found === null) return null;
  const { counts } = found;
  const negativeZeros: number[] = [];
  let step = 0;
  for (let i = 0; i < counts.length; i += 1) {
    if (counts[i] === 0) {
      if (Object.is(values[i], -0)) negativeZeros.push(i);
      counts[i] = 0;
    } else if (step !== 1) {
      step = commonDivisor(step, Math.abs(counts[i]!));
    }
  }
  if (step === 0 || step > 0xffff_ffff) step = 1;
  if (step !== 1) for (let i = 0; i < counts.length; i += 1) counts[i] = counts[i]! / step;
  return { encoding: decimal === null ? BINARY : DECIMAL, exponent: found.exponent, step, counts, isShort: found.greatest / step < SHORT_LIMIT, negativeZeros };
}

/**
 * The lowest exponent with which every value is a whole count, or null. The division is exact to the last bit, as parsing
 * the printed decimal is; and what is whole in coarser steps is whole in finer ones, as long as counts stay below 2^53.
 */
function scaled(values: Float64Array, base: 2 | 10, highest: number): { exponent: number; counts: Float64Array; greatest: number } | null {
  const { length } = values;
  const counts = new Float64Array(length);
  let exponent = 0;
  let power = 1;
  for (let i = 0; i < length; i += 1) {
    const value = values[i]!;
    let count = value * power + ROUNDER - ROUNDER;
    while (count / power !== value) {
      exponent += 1;
      if (exponent > highest) return null;
      power *= base;
      for (let k = 0; k < i; k += 1) counts[k] = counts[k]! * base;
      count = value * power + ROUNDER - ROUNDER;
    }
    counts[i] = count;
  }
  let greatest = 0;
  for (let i = 0; i < length; i += 1) {
    const size = Math.abs(counts[i]!);
    if (!(size < COUNT_LIMIT)) return null;
    if (size > greatest) greatest = size;
  }
  return { exponent, counts, greatest };
}

function commonDivisor(a: number, b: number): number {
  while (b !== 0) [a, b] = [b, a % b];
  return a;
}

/** The order of difference with the fewest significant bits, as planes. */
function shortest(counts: Float64Array, isShort: boolean): { planes: Uint8Array; order: number; bytesPerSample: number } {
  const order = isShort ? shortOrder(counts) : 1;
  return isShort ? shortPlanes(counts, order) : longPlanes(counts, order);
}

function shortOrder(counts: Float64Array): number {
  let bits0 = 0;
  let bits1 = 0;
  let bits2 = 0;
  let before = 0;
  let stepBefore = 0;
  for (let i = 0; i < counts.length; i += 1) {
    const count = counts[i]! | 0;
    const step = count - before;
    const bend = step - stepBefore;
    bits0 -= Math.clz32(count ^ (count >> 31));
    bits1 -= Math.clz32(step ^ (step >> 31));
    bits2 -= Math.clz32(bend ^ (bend >> 31));
    before = count;
    stepBefore = step;
  }
  if (bits2 < bits1 && bits2 < bits0) return 2;
  return bits1 < bits0 ? 1 : 0;
}

function shortPlanes(counts: Float64Array, order: number): { planes: Uint8Array; order: number; bytesPerSample: number } {
  const { length } = counts;
  const folded = new Uint32Array(length);
  let all = 0;
  let before = 0;
  let stepBefore = 0;
  for (let i = 0; i < length; i += 1) {
    const count = counts[i]! | 0;
    const step = count - before;
    const difference = order === 0 ? count : order === 1 ? step : step - stepBefore;
    before = count;
    stepBefore = step;
    const fold = (difference << 1) ^ (difference >> 31);
    folded[i] = fold;
    all |= fold;
  }
  const bytesPerSample = Math.max(1, Math.ceil((32 - Math.clz32(all)) / 8));
  const planes = new Uint8Array(length * bytesPerSample);
  for (let plane = 0; plane < bytesPerSample; plane += 1) {
    const start = plane * length;
    const shift = plane * 8;
    for (let i = 0; i < length; i += 1) planes[start + i] = folded[i]! >>> shift;
  }
  return { planes, order, bytesPerSample };
}

/** The same for counts beyond 32 bits, in exact double arithmetic. */
function longPlanes(counts: Float64Array, order: number): { planes: Uint8Array; order: number; bytesPerSample: number } {
  const folded = new Float64Array(counts.length);
  let greatest = 0;
  let before = 0;
  let stepBefore = 0;
  for (let i = 0; i < counts.length; i += 1) {
    const step = counts[i]! - before;
    const difference = order === 0 ? counts[i]! : order === 1 ? step : step - stepBefore;
    before = counts[i]!;
    stepBefore = step;
    folded[i] = difference < 0 ? -2 * difference - 1 : 2 * difference;
    greatest = Math.max(greatest, folded[i]!);
  }
  let bytesPerSample = 1;
  while (greatest >= 256 ** bytesPerSample) bytesPerSample += 1;
  const planes = new Uint8Array(counts.length * bytesPerSample);
  let at = 0;
  for (let plane = 0; plane < bytesPerSample; plane += 1) {
    const weight = 256 ** plane;
    for (let i = 0; i < folded.length; i += 1) planes[at++] = Math.floor(folded[i]! / weight) % 256;
  }
  return { planes, order, bytesPerSample };
}

function rawValues(planes: readonly Uint8Array[], header: { length: number; bytesPerSample: number }): Float64Array {
  if (header.bytesPerSample !== 8) throw damaged('its lengths disagree');
  const device = new Float64Array(header.length);
  const bytes = new Uint8Array(device.buffer);
  for (let plane = 0; plane < 8; plane += 1) {
    for (let i = 0; i < header.length; i += 1) bytes[i * 8 + plane] = planes[plane]![i]!;
  }
  return device;
}

function countedValues(
  planes: readonly Uint8Array[],
  header: { encoding: number; exponent: number; order: number; bytesPerSample: number; length: number; step: number },
): Float64Array {
  const base = header.encoding === DECIMAL ? 10 : header.encoding === BINARY ? 2 : null;
  if (base === null || header.order > 2 || header.bytesPerSample < 1 || header.bytesPerSample > 7) throw damaged('its header makes no sense');
  const power = base ** header.exponent;
  const { length } = header;
  const device = new Float64Array(length);
  for (let plane = 0; plane < header.bytesPerSample; plane += 1) {
    const weight = 256 ** plane;
    for (let i = 0; i < length; i += 1) device[i]! += planes[plane]![i]! * weight;
  }
  let before = 0;
  let stepBefore = 0;
  for (let i = 0; i < length; i += 1) {
    const folded = device[i]!;
    const difference = folded % 2 === 0 ? folded / 2 : -(folded + 1) / 2;
    const step = header.order === 2 ? stepBefore + difference : difference;
    const count = header.order === 0 ? difference : before + step;
    before = count;
    stepBefore = step;
    device[i] = (count * header.step) / power;
  }
  return device;
}

/** Devices print "-0.00" half of the time around zero, so negative zeros are common and get a list. */
function restoreNegativeZeros(device: Float64Array, distances: Uint8Array, expected: number): void {
  let at = -1;
  let distance = 0;
  let weight = 1;
  let found = 0;
  for (const byte of distances) {
    distance += (byte & 0x7f) * weight;
    weight *= 128;
    if (byte >= 0x80) continue;
    at += distance;
    if (at >= device.length) throw damaged('its lengths disagree');
    device[at] = -0;
    found += 1;
    distance = 0;
    weight = 1;
  }
  if (found !== expected) throw damaged('its lengths disagree');
}

/** Distances of the positions, the first from -1, seven bits to a byte, the lowest first. */
function leb128(positions: readonly number[]): Uint8Array {
  const bytes: number[] = [];
  let before = -1;
  for (const position of positions) {
    let distance = position - before;
    before = position;
    while (distance >= 0x80) {
      bytes.push((distance & 0x7f) | 0x80);
      distance >>>= 7;
    }
    bytes.push(distance);
  }
  return Uint8Array.from(bytes);
}

function split(bytes: Uint8Array, size: number): Uint8Array {
  const length = bytes.length / size;
  const planes = new Uint8Array(bytes.length);
  for (let plane = 0; plane < size; plane += 1) {
    for (let i = 0; i < length; i += 1) planes[plane * length + i] = bytes[i * size + plane]!;
  }
  return planes;
}

function checksum(device: Float64Array, status: Uint8Array | null): number {
  const values = crc32(new Uint8Array(device.buffer, device.byteOffset, device.byteLength));
  return status === null ? values : crc32(status, values);
}

/** The output in one piece: planes hardly ever grow. */
function deflate(bytes: Uint8Array): Buffer {
  return deflateRawSync(bytes, { ...DEFLATE, chunkSize: Math.max(256, bytes.length + 128) });
}

class SectionReader {
  readonly #bytes: Buffer;
  #at = 0;

  constructor(bytes: Buffer) {
    this.#bytes = bytes;
  }

  next(length: number, bound: 'exactly' | 'at most' = 'exactly'): Uint8Array {
    if (this.#at + 4 > this.#bytes.length) throw damaged('it is cut');
    const end = this.#at + 4 + this.#bytes.readUInt32LE(this.#at);
    if (end > this.#bytes.length) throw damaged('it is cut');
    let section: Uint8Array;
    try {
      section = inflateRawSync(this.#bytes.subarray(this.#at + 4, end), { maxOutputLength: Math.max(1, length) });
    } catch (thrown) {
      throw damaged('a section cannot be inflated', thrown);
    }
    if (bound === 'exactly' && section.length !== length) throw damaged('its lengths disagree');
    this.#at = end;
    return section;
  }

  end(): void {
    if (this.#at !== this.#bytes.length) throw damaged('its lengths disagree');
  }
}

function damaged(why: string, cause?: unknown): TorsiondError {
  return new TorsiondError('STORE_CHAIN', `a stored trace is damaged: ${why}`, { cause });
}
