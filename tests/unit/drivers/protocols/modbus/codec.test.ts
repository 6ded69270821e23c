import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { AnswerFramer } from '../../../../../drivers/protocols/modbus/answer-framer.ts';
import { confirmsWrite, lookForMbapAnswer, lookForRtuAnswer, mbapFrame, readRequest, rtuFrame, writeRequest, type Answer } from '../../../../../drivers/protocols/modbus/codec.ts';
import { BYTE_ORDERS, planReads, readRegisters, type MappedChannel } from '../../../../../drivers/protocols/modbus/register-map.ts';

/** Frames of the serial-line specification's examples and of a tutorial, with their CRC; floats in all byte orders. */
const vectors = JSON.parse(readFileSync(new URL('../../../../vectors/protocol-vectors.json', import.meta.url), 'utf8')) as {
  modbus_rtu_frames: { hex: string; what: string }[];
  float32_word_orders: Record<string, string | number>[];
};
const hex = (text: string): Uint8Array => Uint8Array.from(Buffer.from(text.replace(/ /g, ''), 'hex'));
const vector = (begin: string): Uint8Array => {
  const found = vectors.modbus_rtu_frames.filter((frame) => frame.hex.startsWith(begin));
  if (found.length !== 1) throw new Error(`${found.length} vectors begin with ${begin}`);
  return hex(found[0]!.hex);
};

describe('RTU frames', () => {
  it.each(vectors.modbus_rtu_frames)('$hex ($what)', ({ hex: text }) => {
    const frame = hex(text);
    expect(rtuFrame(frame[0]!, frame.subarray(1, -2))).toEqual(frame);
  });

  it('of requests', () => {
    const rtu = (request: ReturnType<typeof readRequest>): Uint8Array => rtuFrame(request.unit, request.pdu);
    expect(rtu(readRequest(17, 3, 0x6b, 3))).toEqual(vector('11 03 00 6B'));
    expect(rtu(readRequest(17, 4, 8, 1))).toEqual(vector('11 04 00 08'));
    expect(rtu(readRequest(1, 3, 2, 1))).toEqual(vector('01 03 00 02'));
    expect(rtu(writeRequest(17, 6, 1, [3]))).toEqual(vector('11 06'));
    expect(rtu(writeRequest(17, 16, 1, [10, 0x0102]))).toEqual(vector('11 10 00 01 00 02 04'));
  });

  it('of answers', () => {
    const read = (request: ReturnType<typeof readRequest>, bytes: Uint8Array): Answer | 'damaged' | null => {
      const framer = new AnswerFramer(lookForRtuAnswer);
      framer.expect(request, 0);
      return framer.push(bytes);
    };
    expect(read(readRequest(17, 3, 0x6b, 3), vector('11 03 06'))).toEqual({ exception: null, pdu: hex('03 06 02 2B 00 00 00 64') });
    expect(read(readRequest(17, 4, 8, 1), vector('11 04 02'))).toEqual({ exception: null, pdu: hex('04 02 00 0A') });
    expect(read(readRequest(17, 3, 0, 1), vector('11 83'))).toEqual({ exception: 2, pdu: hex('83 02') });
    const write = writeRequest(17, 16, 1, [10, 0x0102]);
    const confirmed = read(write, vector('11 10 00 01 00 02 12'));
    expect(confirmsWrite(write, confirmed as Answer)).toBe(true);
    expect(confirmsWrite(writeRequest(17, 16, 2, [10, 0x0102]), confirmed as Answer)).toBe(false);
  });

  it('beyond what one request may ask are refused', () => {
    expect(() => readRequest(1, 3, 0, 126)).toThrow(RangeError);
    expect(() => readRequest(1, 3, 65_535, 2)).toThrow(RangeError);
    expect(() => writeRequest(1, 6, 0, [1, 2])).toThrow(RangeError);
    expect(() => writeRequest(1, 16, 0, Array<number>(124).fill(0))).toThrow(RangeError);
  });
});

describe('numbers in registers', () => {
  it.each(vectors.float32_word_orders)('$value in every order', (row) => {
    for (const order of BYTE_ORDERS) {
      const key = Object.keys(row).find((name) => name.startsWith(order))!;
      expect(readRegisters(hex(row[key] as string), 0, 'f32', order)).toBe(Math.fround(row['value'] as number));
    }
  });

  it.each([
    ['i16', 'ABCD', 'FF FE', -2], ['u16', 'ABCD', 'FF FE', 65_534], ['u16', 'DCBA', 'FE FF', 65_534], ['u16', 'CDAB', 'FF FE', 65_534],
    ['i32', 'ABCD', 'FF FF FF FE', -2], ['i32', 'CDAB', 'FF FE FF FF', -2], ['u32', 'DCBA', '04 03 02 01', 0x01020304], ['u32', 'BADC', '02 01 04 03', 0x01020304],
  ] as const)('%s %s %s', (type, order, text, value) => expect(readRegisters(hex(text), 0, type, order)).toBe(value));
});

describe('reads', () => {
  const at = (address: number, more: Partial<MappedChannel> = {}): MappedChannel => ({ unit: 1, function: 3, address, type: 'i16', order: 'ABCD', ...more });

  it('join what is next to each other, by unit and function, in any order of channels', () => {
    const plan = planReads([at(12), at(10, { type: 'f32' }), at(10, { unit: 2 }), at(13, { function: 4 }), at(20)], 0);
    expect(plan.map(({ request, channels }) => [request.name, channels])).toEqual([
      ['holding registers 10 to 12 of unit 1', [{ channel: 1, offset: 0 }, { channel: 0, offset: 4 }]],
      ['holding registers 20 to 20 of unit 1', [{ channel: 4, offset: 0 }]],
      ['input registers 13 to 13 of unit 1', [{ channel: 3, offset: 0 }]],
      ['holding registers 10 to 10 of unit 2', [{ channel: 2, offset: 0 }]],
    ]);
  });

  it('join over gaps that are allowed', () => {
    expect(planReads([at(0), at(5)], 3).length).toBe(2);
    expect(planReads([at(0), at(5)], 4).length).toBe(1);
  });

  it('hold every channel once, whole, in at most 125 registers, and none can join its neighbour', () => {
    const channel = fc.record({
      unit: fc.constantFrom(1, 2), function: fc.constantFrom<3 | 4>(3, 4), address: fc.integer({ min: 0, max: 300 }),
      type: fc.constantFrom<'i16' | 'f32'>('i16', 'f32'), order: fc.constant<'ABCD'>('ABCD'),
    });
    fc.assert(fc.property(fc.array(channel, { minLength: 1, maxLength: 32 }), fc.integer({ min: 0, max: 123 }), (channels, gap) => {
      const plan = planReads(channels, gap);
      expect(plan.flatMap((block) => block.channels.map((one) => one.channel)).sort((a, b) => a - b)).toEqual(channels.map((_, i) => i));
      for (const { request, channels: members } of plan) {
        const view = new DataView(request.pdu.buffer);
        const [first, count] = [view.getUint16(1), view.getUint16(3)];
        expect(count).toBeLessThanOrEqual(125);
        for (const { channel: number, offset } of members) {
          const map = channels[number]!;
          expect([map.unit, map.function, map.address]).toEqual([request.unit, request.function, first + offset / 2]);
          expect(offset / 2 + (map.type === 'i16' ? 1 : 2)).toBeLessThanOrEqual(count);
        }
      }
    }));
  });
});

describe('an answer among other bytes', () => {
  const request = readRequest(1, 3, 100, 4);
  const pdu = fc.uint8Array({ minLength: 8, maxLength: 8 }).map((data) => Uint8Array.of(3, 8, ...data));
  const transports = [
    { name: 'RTU', look: lookForRtuAnswer, frame: (bytes: Uint8Array, unit = 1) => rtuFrame(unit, bytes), foreign: (bytes: Uint8Array) => rtuFrame(2, bytes) },
    { name: 'TCP', look: lookForMbapAnswer, frame: (bytes: Uint8Array, unit = 1) => mbapFrame(7, unit, bytes), foreign: (bytes: Uint8Array) => mbapFrame(6, 1, bytes) },
  ];

  it.each(transports)('$name: is found whole for any split, after noise and after answers that are not meant', ({ look, frame, foreign }) => {
    fc.assert(fc.property(pdu, fc.uint8Array({ maxLength: 600 }), fc.array(fc.integer({ min: 1, max: 40 }), { minLength: 1, maxLength: 10 }), (meant, noise, sizes) => {
      const framer = new AnswerFramer(look);
      framer.expect(request, 7);
      // A byte that begins no answer comes first, so that the noise cannot be a damaged one.
      const bytes = Buffer.concat([Uint8Array.of(0xff), noise, foreign(meant), frame(meant)]);
      const found: unknown[] = [];
      for (let i = 0, k = 0; i < bytes.length; i += sizes[k++ % sizes.length]!) {
        const answer = framer.push(bytes.subarray(i, i + sizes[k % sizes.length]!));
        if (answer !== null) found.push(answer);
        expect(framer.buffered).toBeLessThanOrEqual(520);
      }
      expect(found).toEqual([{ exception: null, pdu: meant }]);
      expect(framer.discardedBytes).toBe(bytes.length - frame(meant).length);
    }), { numRuns: 200 });
  });

  it('RTU: with one wrong bit is none', () => {
    fc.assert(fc.property(pdu, fc.nat(8 * 13 - 1), (meant, bit) => {
      const bytes = rtuFrame(1, meant);
      bytes[bit >> 3]! ^= 1 << (bit & 7);
      const framer = new AnswerFramer(lookForRtuAnswer);
      framer.expect(request, 0);
      expect([null, 'damaged']).toContain(framer.push(bytes));
    }));
  });

  it('nothing is taken that nobody asked for', () => {
    const framer = new AnswerFramer(lookForRtuAnswer);
    const answer = rtuFrame(1, Uint8Array.of(3, 8, 0, 1, 0, 2, 0, 3, 0, 4));
    expect(framer.push(answer)).toBeNull();
    framer.expect(request, 0);
    expect(framer.push(answer)).not.toBeNull();
    expect(framer.push(answer)).toBeNull();
    expect(framer.discardedBytes).toBe(26);
  });
});
