import fc from 'fast-check';
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { COBS } from '../../../../drivers/framing/cobs.ts';
import { DelimitedFramer, type FrameCode } from '../../../../drivers/framing/delimited-framer.ts';
import { SLIP } from '../../../../drivers/framing/slip.ts';
import { encodeCobs, encodeSlip } from '../../../helpers/frame-encoders.ts';
import { runFramer, split } from './frame-log.ts';

/** COBS pairs as two public packages print them; SLIP after RFC 1055. */
const vectors = JSON.parse(readFileSync(new URL('../../../vectors/protocol-vectors.json', import.meta.url), 'utf8')) as {
  cobs: { raw: string; raw_full: string; encoded_without_delimiter: string }[]; slip_rfc1055: { raw: string; encoded: string }[];
};
const bytes = (hex: string): Buffer => Buffer.from(hex.replace(/ /g, ''), 'hex');

function decode(code: FrameCode, encoded: Uint8Array): string | null {
  const out = new Uint8Array(encoded.length + 4);
  const end = code.decode(encoded, 0, encoded.length, out, 4);
  return end < 0 ? null : Buffer.from(out.subarray(4, end)).toString('hex');
}

describe('COBS', () => {
  it.each(vectors.cobs)('decodes $raw', ({ raw_full, encoded_without_delimiter }) => {
    expect(decode(COBS, bytes(encoded_without_delimiter))).toBe(raw_full);
    expect(encodeCobs(bytes(raw_full)).subarray(0, -1).toString('hex')).toBe(encoded_without_delimiter);
  });

  it('takes the empty block that older encoders put behind a full one', () => {
    const raw = Buffer.from(Array.from({ length: 254 }, (_, i) => i + 1));
    expect(decode(COBS, bytes(`ff${raw.toString('hex')}01`))).toBe(raw.toString('hex'));
  });

  it.each(['05 11 22', 'ff 01', '02'])('refuses %s, which says more bytes than there are', (hex) => expect(decode(COBS, bytes(hex))).toBeNull());
});

describe('SLIP', () => {
  it.each(vectors.slip_rfc1055.filter(({ raw }) => raw !== ''))('decodes $encoded', ({ raw, encoded }) => {
    const { frames } = runFramer(new DelimitedFramer({ code: SLIP, maxFrameBytes: 8, check: null }), [bytes(encoded)]);
    expect(frames).toEqual([bytes(raw).toString('hex')]);
    expect(encodeSlip(bytes(raw)).toString('hex')).toBe(bytes(encoded).subarray(1).toString('hex'));
  });

  it('knows no empty frames', () => {
    expect(runFramer(new DelimitedFramer({ code: SLIP, maxFrameBytes: 8, check: null }), [bytes('c0 c0 c0')]).frames).toEqual([]);
  });

  it.each(['01 db 02', '01 db'])('refuses %s: nothing else may follow the escape', (hex) => expect(decode(SLIP, bytes(hex))).toBeNull());
});

describe.each([['COBS', COBS, encodeCobs] as const, ['SLIP', SLIP, encodeSlip] as const])('the framer for %s', (_, code, encode) => {
  const framer = (maxFrameBytes = 300): DelimitedFramer => new DelimitedFramer({ code, maxFrameBytes, check: null });
  const end = Uint8Array.of(code.delimiter);

  it('gives any frames whole for any split', () => {
    fc.assert(fc.property(
      fc.array(fc.oneof(fc.uint8Array({ minLength: 1, maxLength: 20 }), fc.uint8Array({ minLength: 250, maxLength: 300, max: 3 }), fc.uint8Array({ minLength: 250, maxLength: 300 })), { maxLength: 20 }),
      fc.array(fc.integer({ min: 1, max: 400 }), { minLength: 1 }), (raws, sizes) => {
        const { frames } = runFramer(framer(), split(Buffer.concat([end, ...raws.map((raw) => encode(raw))]), sizes));
        expect(frames).toEqual(raws.map((raw) => Buffer.from(raw).toString('hex')));
      },
    ), { numRuns: 200 });
  });

  it('gives the first whole frame after any noise, and counts every byte that is in none', () => {
    fc.assert(fc.property(fc.uint8Array({ maxLength: 3_000 }), fc.uint8Array({ minLength: 1, maxLength: 20 }), (noise, raw) => {
      const one = framer(20);
      const { frames } = runFramer(one, [noise, end, encode(raw)]);
      expect(frames.at(-1)).toBe(Buffer.from(raw).toString('hex'));
      expect(one.discardedBytes).toBeLessThanOrEqual(noise.length + 1);
    }));
  });

  it('tells once of a frame that is too long, also when it ends in the same chunk, and of one without end', () => {
    const long = encode(new Uint8Array(100).fill(7));
    for (const size of [1, 7, 1_000]) {
      const log = runFramer(framer(20), split(Buffer.concat([end, long, encode(Uint8Array.of(9))]), [size]));
      expect([log.tooLong, log.frames]).toEqual([1, ['09']]);
    }
    const log = runFramer(framer(20), Array.from({ length: 100 }, () => new Uint8Array(64 * 1024).fill(0x55)));
    expect([log.tooLong, log.frames]).toEqual([1, []]);
  });

  it('tells of frames that fail their check, one by one, before the next good one', () => {
    const one = new DelimitedFramer({ code, maxFrameBytes: 20, check: (data, start) => data[start] === 1 });
    const log = runFramer(one, [Buffer.concat([end, encode(bytes('0102')), encode(bytes('0505')), encode(bytes('0606')), encode(bytes('0103'))])]);
    expect(log.frames).toEqual(['0102', '0103']);
    expect(log.damaged.map(({ frames, reason }) => [frames, reason])).toEqual([[1, 'check'], [1, 'check']]);
  });

  it('leaves out the frame that had begun before the port was opened', () => {
    expect(runFramer(framer(), [Buffer.concat([encode(bytes('0102')), encode(bytes('03'))])]).frames).toEqual(['03']);
  });
});
