import { describe, expect, it } from 'vitest';
import { checksum } from '../../../../../drivers/framing/checksum.ts';
import { rawCounts } from '../../../../../drivers/protocols/raw-counts/driver.ts';
import { driverEvents, samplesOf } from '../../../../helpers/driver-events.ts';
import { encodeSlip } from '../../../../helpers/frame-encoders.ts';

const bytes = (hex: string): Buffer => Buffer.from(hex.replace(/ /g, ''), 'hex');
const faultCodes = async (options: unknown, ...chunks: Uint8Array[]): Promise<string[]> => (await driverEvents(rawCounts, options, chunks)).flatMap((event) => (event.kind === 'fault' ? [event.error.code] : []));
const read = async (options: unknown, channels: number, ...chunks: Uint8Array[]): Promise<(number | null)[][]> => samplesOf(await driverEvents(rawCounts, options, chunks), channels);

describe('raw-counts', () => {
  it('reads two converters of 24 bits behind sync bytes and a counter, the checksum low byte last', async () => {
    const crc = checksum('CRC-16/XMODEM');
    const frame = (hex: string): Buffer => {
      const body = bytes(`aa 55 ${hex}`);
      const value = crc.compute(body, 2, body.length);
      return Buffer.concat([body, Uint8Array.of(value >>> 8, value & 0xff)]);
    };
    const options = { sync: 'aa 55', counter: 'u8', channels: 2, checksum: 'CRC-16/XMODEM', checksumFrom: 2 };
    const stream = [frame('fe 000001 fffffe'), frame('ff 7ffffe 800001'), frame('01 000000 000002')];
    expect(await read(options, 2, ...stream)).toEqual([[1, 8_388_606, null, 0], [-2, -8_388_607, null, 2]]);
    expect(await faultCodes(options, ...stream)).toEqual(['FRAME_LOST']);
  });

  it('takes half the range off where a converter sends no negative numbers', async () => {
    const options = { framing: 'slip', bits: 16, coding: 'offset', byteOrder: 'little' };
    expect(await read(options, 1, bytes('c0'), ...['00 80', '01 80', 'ff 7f', '34 12'].map((hex) => encodeSlip(bytes(hex))))).toEqual([[0, 1, -1, 0x1234 - 32_768]]);
  });

  it.each([
    [8, 'signed', '80', '7f', '81', -127], [16, 'signed', '8000', '7fff', '7ffe', 32_766], [24, 'signed', '800000', '7fffff', '800001', -8_388_607],
    [32, 'signed', '80000000', '7fffffff', '80000001', -2_147_483_647], [24, 'offset', '000000', 'ffffff', 'fffffe', 8_388_606], [32, 'offset', '00000000', 'ffffffff', '00000001', -2_147_483_647],
  ] as const)('%d bits %s: the lowest and the highest code are overload, not values', async (bits, coding, lowest, highest, next, value) => {
    const frames = [lowest, highest, next].map((hex) => encodeSlip(bytes(hex)));
    expect(await read({ framing: 'slip', bits, coding }, 1, bytes('c0'), ...frames)).toEqual([[null, null, value]]);
    expect(new Set(await faultCodes({ framing: 'slip', bits, coding }, bytes('c0'), ...frames))).toEqual(new Set(['VALUE_OVERLOAD']));
  });

  it('reads several samples of several converters in a frame', async () => {
    const options = { framing: 'slip', bits: 16, channels: 2, samples: 3 };
    expect(await read(options, 2, bytes('c0'), encodeSlip(bytes('0001 0002 0003 0004 0005 0006')))).toEqual([[1, 3, 5], [2, 4, 6]]);
  });

  it.each([
    ['frames without a beginning', {}, 'sync'], ['sync bytes where delimiters are', { framing: 'cobs', sync: 'aa' }, 'sync'],
    ['a frame too long', { sync: 'aa 55', channels: 32, samples: 256 }, 'samples'], ['a checksum that leaves values out', { sync: 'aa 55', checksum: 'CRC-16/ARC', checksumFrom: 3 }, 'checksumFrom'],
  ])('refuses %s', (_, options, path) => expect(rawCounts.optionsSchema.safeParse(options).error?.issues.map((issue) => issue.path.join('.'))).toContain(path));

  it('describes a layout that can be read, for all the options it takes', async () => {
    for (const bits of [8, 16, 24, 32]) for (const channels of [1, 32]) for (const samples of [1, 24]) for (const counter of [undefined, 'u8', 'u32']) {
      const options = { framing: 'slip', bits, channels, samples, checksum: 'CRC-32/ISO-HDLC', ...(counter && { counter }) };
      const size = (counter === 'u32' ? 4 : counter === 'u8' ? 1 : 0) + (channels * samples * bits) / 8;
      const body = Buffer.alloc(size, 1);
      const tail = Buffer.alloc(4);
      tail.writeUInt32BE(checksum('CRC-32/ISO-HDLC').compute(body, 0, size));
      const lists = await read(options, channels, bytes('c0'), encodeSlip(Buffer.concat([body, tail])));
      expect(lists.map((list) => list.length)).toEqual(Array<number>(channels).fill(samples));
    }
  });
});
