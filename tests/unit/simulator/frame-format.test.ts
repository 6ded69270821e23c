import { describe, expect, it } from 'vitest';
import { crcOf, CRC_NAMES, type CrcName } from '../../../simulator/instruments/checksums.ts';
import { dataSheetBits, dataSheetImage } from '../../../simulator/instruments/data-sheet.ts';
import { cobs, FrameFormat, frameWriter, slip } from '../../../simulator/instruments/frame-format.ts';
import { registerBytes } from '../../../simulator/instruments/modbus-format.ts';

const bytes = (hex: string): Uint8Array => Uint8Array.from(Buffer.from(hex.replace(/ /g, ''), 'hex'));
const hex = (data: Uint8Array): string => Buffer.from(data).toString('hex');

describe('checksums of simulated frames', () => {
  // Check values of the public CRC catalogue over "123456789".
  const check: Record<CrcName, number> = {
    'CRC-8/MAXIM-DOW': 0xa1, 'CRC-8/SMBUS': 0xf4, 'CRC-16/ARC': 0xbb3d, 'CRC-16/GENIBUS': 0xd64e, 'CRC-16/IBM-3740': 0x29b1, 'CRC-16/IBM-SDLC': 0x906e,
    'CRC-16/KERMIT': 0x2189, 'CRC-16/MAXIM-DOW': 0x44c2, 'CRC-16/MODBUS': 0x4b37, 'CRC-16/XMODEM': 0x31c3, 'CRC-32/ISO-HDLC': 0xcbf43926,
  };
  it.each(CRC_NAMES)('%s gives its check value', (name) => {
    expect(crcOf(name, Buffer.from('123456789'))).toBe(check[name]);
  });
});

describe('byte stuffing of simulated frames', () => {
  const run = (from: number, to: number): string => hex(Uint8Array.from({ length: to - from + 1 }, (_, i) => from + i));
  // The examples of the COBS paper and of RFC 1055.
  it.each([
    ['00', '0101'], ['0000', '010101'], ['001100', '01021101'], ['11220033', '0311220233'], ['11223344', '0511223344'],
    ['11000000', '0211010101'], [run(1, 254), `ff${run(1, 254)}`], [`00${run(1, 254)}`, `01ff${run(1, 254)}`], [run(1, 255), `ff${run(1, 254)}02ff`],
    [`${run(2, 255)}00`, `ff${run(2, 255)}0101`], [`${run(3, 255)}0001`, `fe${run(3, 255)}0201`],
  ])('COBS %s', (plain, coded) => {
    expect(hex(cobs(bytes(plain)))).toBe(`${coded}00`);
  });

  it('SLIP', () => {
    expect(hex(slip(bytes('01 c0 02 db 03')))).toBe('c001dbdc02dbdd03c0');
  });
});

describe('a simulated frame', () => {
  it('has sync bytes, counter, values and a CRC', () => {
    const write = frameWriter(FrameFormat.parse({ sync: 'a5 5a', counter: 'u8', type: 'i24', scale: 0.0001, checksum: 'CRC-16/MODBUS' }), 2);
    const frame = write(Float64Array.of(12.3456, -0.0001), { counter: 258, channel: 0, isOverloaded: false });
    expect(hex(frame.subarray(0, 9))).toBe('a55a0240e201ffffff');
    const crc = crcOf('CRC-16/MODBUS', frame.subarray(0, 9));
    expect([frame[9], frame[10], frame.length]).toEqual([crc & 0xff, crc >> 8, 11]);
  });

  it('holds a number that does not fit at the end of its range', () => {
    const write = frameWriter(FrameFormat.parse({ sync: 'aa', counter: null, type: 'i16', scale: 1, byteOrder: 'big', checksum: null }), 1);
    const at = (value: number): string => hex(write(Float64Array.of(value), { counter: 0, channel: 0, isOverloaded: true }));
    expect([at(1e9), at(-1e9)]).toEqual(['aa7fff', 'aa8000']);
  });
});

describe('registers of simulated instruments', () => {
  const place = { unit: 1, kind: 'holding', address: 0, type: 'f32', order: 'ABCD', scale: 0.001 } as const;
  it.each([['ABCD', '42c80000'], ['CDAB', '000042c8'], ['BADC', 'c8420000'], ['DCBA', '0000c842']] as const)('100.0 in the order %s', (order, expected) => {
    expect(hex(registerBytes(100, { ...place, order }, false))).toBe(expected);
  });

  it('whole numbers, scaled, and their ends when overloaded', () => {
    expect(hex(registerBytes(-12.5, { ...place, type: 'i16', scale: 0.01 }, false))).toBe('fb1e');
    expect(hex(registerBytes(-12.5, { ...place, type: 'i32', order: 'CDAB' }, false))).toBe('cf2cffff');
    expect(hex(registerBytes(60, { ...place, type: 'i16', scale: 0.01 }, true))).toBe('7fff');
  });
});

describe('a simulated data sheet', () => {
  const sheet = { manufacturer: 43, model: 7_115, serial: 12_345, capacity: 100, sensitivity: 2, zeroBalance: 0, calibratedDay: 9_570, periodDays: 365 };
  it('begins with the 64 bits of the basic part, and every page sums to 0', () => {
    // Fields of the synthetic sensor of tests/vectors/teds.json, but version A1 instead of B2: bits 29 to 39.
    const basic = Buffer.from(dataSheetBits(sheet).subarray(0, 8));
    const read = (from: number, width: number): number => Number((basic.readBigUInt64LE() >> BigInt(from)) & ((1n << BigInt(width)) - 1n));
    expect([read(0, 14), read(14, 15), read(29, 5), read(34, 6), read(40, 24)]).toEqual([43, 7_115, 1, 1, 12_345]);
    const image = dataSheetImage(sheet);
    expect(image.length).toBe(128);
    for (let page = 0; page < 4; page++) expect(image.subarray(32 * page, 32 * page + 32).reduce((sum, byte) => sum + byte, 0) % 256).toBe(0);
  });
});
