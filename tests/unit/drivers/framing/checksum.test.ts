import fc from 'fast-check';
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { CHECKSUM_NAMES, checksum, type ChecksumName } from '../../../../drivers/framing/checksum.ts';

interface CatalogueEntry { width: number; poly: string; init: string; refin: boolean; xorout: string; check_123456789: string }
/** Parameters and check values of the public CRC catalogue, each computed again from its parameters. */
const { crc: catalogue, modbus_rtu_frames: modbus } = JSON.parse(readFileSync(new URL('../../../vectors/protocol-vectors.json', import.meta.url), 'utf8')) as {
  crc: Record<string, CatalogueEntry>; modbus_rtu_frames: { hex: string }[];
};
const entries = Object.entries(catalogue).map(([key, entry]) => ({ name: key.replace(/ \(.*$/, '') as ChecksumName, ...entry }));
const DIGITS = Buffer.from('123456789');

/** Bit by bit, straight from the parameters: another way than the tables of the product. */
function bitwise({ width, poly, init, refin, xorout }: CatalogueEntry, data: Uint8Array): number {
  const all = (1n << BigInt(width)) - 1n;
  const mirrored = (value: bigint, bits: number): bigint => BigInt(`0b${value.toString(2).padStart(bits, '0').split('').reverse().join('')}`);
  let value = BigInt(init);
  for (const byte of data) {
    value ^= (refin ? mirrored(BigInt(byte), 8) : BigInt(byte)) << BigInt(width - 8);
    for (let bit = 0; bit < 8; bit++) value = (value >> BigInt(width - 1)) & 1n ? ((value << 1n) ^ BigInt(poly)) & all : (value << 1n) & all;
  }
  return Number((refin ? mirrored(value, width) : value) ^ BigInt(xorout));
}

describe('the checksums', () => {
  it('hold every CRC of the vectors, and nothing else but sums', () => {
    expect(CHECKSUM_NAMES.filter((name) => name.startsWith('CRC')).sort()).toEqual(entries.map((entry) => entry.name).sort());
  });

  it.each(entries)('$name gives the check value of the catalogue over "123456789"', (entry) => {
    expect(checksum(entry.name).compute(DIGITS, 0, 9)).toBe(Number(entry.check_123456789));
    expect(checksum(entry.name).bytes * 8).toBe(entry.width);
  });

  it.each(entries)('$name is what its parameters give bit by bit, over any part of any bytes', (entry) => {
    fc.assert(fc.property(fc.uint8Array({ maxLength: 40 }), fc.nat(5), fc.nat(5), (data, skip, leave) => {
      const end = Math.max(skip, data.length - leave);
      expect(checksum(entry.name).compute(data, skip, Math.min(end, data.length))).toBe(bitwise(entry, data.subarray(skip, end)));
    }), { numRuns: 50 });
  });

  it('find the frames of the Modbus serial line vectors whole', () => {
    for (const { hex } of modbus) {
      const frame = Buffer.from(hex.replace(/ /g, ''), 'hex');
      expect(checksum('CRC-16/MODBUS').compute(frame, 0, frame.length - 2)).toBe(frame.readUInt16LE(frame.length - 2));
    }
  });

  it.each([['SUM-8', 0xdd], ['SUM-8/ZERO', 0x23], ['SUM-16', 0x1dd], ['XOR-8', 0x31]] as const)('%s of "123456789", added up by hand', (name, value) => {
    expect(checksum(name).compute(DIGITS, 0, 9)).toBe(value);
  });
});
