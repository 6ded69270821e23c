/** The memory that holds a data sheet: pages with checksums, and the number of the memory itself. */
import { TorsiondError } from '../../shared/errors.ts';
import { checksum } from '../framing/checksum.ts';

const PAGE_BYTES = 32;

export interface PagedData {
  /** What the pages hold, without their checksums, up to the first whose checksum is wrong. */
  readonly data: Uint8Array;
  /** Number of that page from 1, or null. Pages behind the data sheet are often erased and then have none. */
  readonly badPage: number | null;
}

/**
 * Takes the page checksums out: the first byte of each page of 32 makes the sum of its bytes a multiple of 256.
 * @throws TorsiondError TEDS_FORMAT unless the bytes are whole pages
 */
export function takePages(memory: Uint8Array): PagedData {
  if (memory.length === 0 || memory.length % PAGE_BYTES !== 0) {
    throw new TorsiondError('TEDS_FORMAT', `${memory.length} bytes are no whole pages of ${PAGE_BYTES}`);
  }
  const sum = checksum('SUM-8');
  const parts: Uint8Array[] = [];
  for (let at = 0; at < memory.length; at += PAGE_BYTES) {
    if (sum.compute(memory, at, at + PAGE_BYTES) !== 0) return { data: concat(parts), badPage: at / PAGE_BYTES + 1 };
    parts.push(memory.subarray(at + 1, at + PAGE_BYTES));
  }
  return { data: concat(parts), badPage: null };
}

/** What the number of a memory chip on a single-wire bus says. */
export interface MemoryNumber {
  /** Kind of chip, for example 0x2d. */
  readonly family: number;
  /** Six bytes in hexadecimal, highest first. */
  readonly serial: string;
}

/**
 * Reads the eight bytes of a chip's number: family, serial number with the lowest byte first, CRC-8.
 * @throws TorsiondError TEDS_FORMAT for another length, TEDS_CHECKSUM when the CRC is wrong
 */
export function readMemoryNumber(bytes: Uint8Array): MemoryNumber {
  if (bytes.length !== 8) throw new TorsiondError('TEDS_FORMAT', `the number of the memory has ${bytes.length} bytes instead of 8`);
  const crc = checksum('CRC-8/MAXIM-DOW').compute(bytes, 0, 7);
  if (crc !== bytes[7]) throw new TorsiondError('TEDS_CHECKSUM', `the number of the memory has the CRC ${hex(bytes[7]!)}, its bytes give ${hex(crc)}`);
  return { family: bytes[0]!, serial: [...bytes.subarray(1, 7)].reverse().map((byte) => hex(byte)).join('') };
}

function hex(byte: number): string {
  return byte.toString(16).padStart(2, '0');
}

function concat(parts: readonly Uint8Array[]): Uint8Array {
  const all = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) {
    all.set(part, at);
    at += part.length;
  }
  return all;
}
