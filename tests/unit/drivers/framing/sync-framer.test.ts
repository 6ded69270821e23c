import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { checksum } from '../../../../drivers/framing/checksum.ts';
import type { FrameCheck } from '../../../../drivers/framing/framer.ts';
import { SyncFramer, type FrameLength } from '../../../../drivers/framing/sync-framer.ts';
import { runFramer, split } from './frame-log.ts';

const crc32 = checksum('CRC-32/ISO-HDLC');
const isWhole: FrameCheck = (data, start, end) => end - start > 4
  && crc32.compute(data, start, end - 4) === Buffer.from(data.slice(end - 4, end)).readUInt32LE();
const sealed = (body: Uint8Array): Buffer => {
  const tail = Buffer.alloc(4);
  tail.writeUInt32LE(crc32.compute(body, 0, body.length));
  return Buffer.concat([body, tail]);
};
const embedded: FrameLength = { read: (data, start) => data[start + 2]! + 7, headBytes: 3, min: 7, max: 47 };

const kinds = [
  {
    name: 'sync bytes and a length in the frame', longest: 47,
    framer: () => new SyncFramer({ sync: Uint8Array.of(0xa5, 0x5a), length: embedded, check: isWhole, checkBits: 32 }),
    encode: (body: Uint8Array) => sealed(Buffer.from([0xa5, 0x5a, body.length, ...body])),
  },
  {
    name: 'sync bytes and a fixed length', longest: 14,
    framer: () => new SyncFramer({ sync: Uint8Array.of(0xa5), length: 14, check: isWhole, checkBits: 32 }),
    encode: (body: Uint8Array) => sealed(Buffer.concat([Uint8Array.of(0xa5), body], 10)),
  },
  {
    name: 'a fixed length and nothing else', longest: 12,
    framer: () => new SyncFramer({ sync: new Uint8Array(0), length: 12, check: isWhole, checkBits: 32 }),
    encode: (body: Uint8Array) => sealed(Buffer.concat([body], 8)),
  },
];
/** Bodies that hold what looks like sync bytes. */
const body = fc.oneof(fc.uint8Array({ minLength: 1, maxLength: 40 }), fc.array(fc.constantFrom(0xa5, 0x5a, 3, 40), { minLength: 1, maxLength: 40 }).map((list) => Uint8Array.from(list)));
const noise = fc.oneof(fc.uint8Array({ maxLength: 300 }), fc.array(fc.constantFrom(0xa5, 0x5a, 3, 40), { maxLength: 100 }).map((list) => Uint8Array.from(list)));
const sizes = fc.array(fc.integer({ min: 1, max: 100 }), { minLength: 1 });

describe.each(kinds)('the framer for $name', ({ framer, encode, longest }) => {
  const hex = (bodies: readonly Uint8Array[]): string[] => bodies.map((one) => encode(one).toString('hex'));

  it('gives all frames whole for any split, with any noise before, between and behind', () => {
    fc.assert(fc.property(fc.array(fc.tuple(noise, body), { maxLength: 12 }), sizes, (parts, pieces) => {
      const sent = Buffer.concat([...parts.flatMap(([before, one]) => [before, encode(one)]), new Uint8Array(longest)]);
      const one = framer();
      const { frames } = runFramer(one, split(sent, pieces));
      expect(frames).toEqual(hex(parts.map(([, inside]) => inside)));
      expect(one.discardedBytes + one.buffered + frames.join('').length / 2).toBe(sent.length);
    }), { numRuns: 300 });
  });

  it('gives nothing whose checksum is wrong, out of any bytes', () => {
    fc.assert(fc.property(fc.array(noise, { maxLength: 20 }), fc.array(fc.nat(2_000)), (parts, flips) => {
      const sent = Buffer.concat(parts.map((one) => encode(one.subarray(0, 40))));
      for (const at of flips) if (at < sent.length) sent[at] = sent[at]! ^ 0x10;
      for (const frame of runFramer(framer(), [sent]).frames) {
        const data = Buffer.from(frame, 'hex');
        expect(crc32.compute(data, 0, data.length - 4)).toBe(data.readUInt32LE(data.length - 4));
      }
    }), { numRuns: 300 });
  });

  it('tells of one damaged frame once, with its bytes', () => {
    const one = encode(Buffer.from('cdefghij'));
    const bad = Buffer.from(one);
    bad[bad.length - 1]! ^= 1;
    const log = runFramer(framer(), [Buffer.concat([one, one, bad, one])]);
    expect([log.frames.length, log.damaged]).toEqual([3, [{ bytes: bad.length, frames: 1, reason: 'check' }]]);
  });

  it('counts a frame with a byte too few or too many as one', () => {
    const one = encode(Buffer.from('cdefghij'));
    const short = Buffer.concat([one.subarray(0, 4), one.subarray(5)]);
    const long = Buffer.concat([one.subarray(0, 4), Uint8Array.of(1), one.subarray(4)]);
    for (const bad of [short, long]) {
      const log = runFramer(framer(), [Buffer.concat([one, bad, one, one, one, one])]);
      expect(log.frames).toEqual(Array<string>(5).fill(one.toString('hex')));
      expect(log.damaged.map(({ bytes, frames }) => [bytes, frames])).toEqual([[bad.length, 1]]);
    }
  });

  it('tells of endless noise once', () => {
    const log = runFramer(framer(), [encode(Uint8Array.of(1)), ...Array.from({ length: 40 }, () => new Uint8Array(16 * 1024).fill(0x55))]);
    expect([log.frames.length, log.tooLong]).toEqual([1, 1]);
  });
});

describe('frames with little to know them by', () => {
  const plain = (sync: number[]): SyncFramer => new SyncFramer({ sync: Uint8Array.from(sync), length: 4, check: null, checkBits: 0 });

  it('must come several in a row before the first is believed', () => {
    const frame = Buffer.from([0xaa, 1, 2, 3]);
    expect(runFramer(plain([0xaa]), [Buffer.concat([frame, Uint8Array.of(0xaa), Buffer.alloc(8)])]).frames).toEqual([]);
    expect(runFramer(plain([0xaa]), [Buffer.concat([frame, frame, frame, Uint8Array.of(0xaa)])]).frames.length).toBe(3);
  });

  it('are given only when the next begins right behind, so one that lost a byte is not believed', () => {
    const frame = Buffer.from([0xaa, 0xbb, 1, 2]);
    const short = Buffer.from([0xaa, 0xbb, 1]);
    const log = runFramer(plain([0xaa, 0xbb]), [Buffer.concat([frame, frame, short, frame, frame, frame])]);
    expect(log.frames).toEqual(Array<string>(4).fill(frame.toString('hex')));
    expect(log.damaged.map(({ bytes, frames }) => [bytes, frames])).toEqual([[3, 1]]);
  });

  it('cannot be nothing but bytes', () => expect(() => plain([])).toThrow(RangeError));
});
