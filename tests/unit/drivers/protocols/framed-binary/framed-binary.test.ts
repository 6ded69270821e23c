import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { DriverEvent } from '../../../../../drivers/api.ts';
import { checksum } from '../../../../../drivers/framing/checksum.ts';
import { createMemoryLink } from '../../../../../drivers/links/memory-link.ts';
import { framedBinary } from '../../../../../drivers/protocols/framed-binary/driver.ts';
import { systemClock } from '../../../../../shared/clock.ts';
import { driverEvents, samplesOf } from '../../../../helpers/driver-events.ts';
import { encodeCobs, encodeSlip } from '../../../../helpers/frame-encoders.ts';

const bytes = (hex: string): Buffer => Buffer.from(hex.replace(/ /g, ''), 'hex');
const faults = (events: readonly DriverEvent[]): [string, number, number | null][] => events.flatMap((event) => (event.kind === 'fault' ? [[event.error.code, event.missing, event.channel]] : []));
const events = (options: unknown, ...chunks: Uint8Array[]): Promise<DriverEvent[]> => driverEvents(framedBinary, options, chunks);
const crc = checksum('CRC-16/XMODEM');
const sealed = (body: Buffer): Buffer => {
  const value = crc.compute(body, 0, body.length);
  return Buffer.concat([body, Uint8Array.of(value >>> 8, value & 0xff)]);
};

/** A5 5A, counter, two channels of 16 bits, checksum, high byte first. */
const counted = {
  framing: { kind: 'sync', bytes: 'a5 5a', length: 9 }, counter: { at: 2 }, checksum: { name: 'CRC-16/XMODEM' },
  channels: [{ at: 3, type: 'i16', scale: 0.01 }, { at: 5, type: 'i16', scale: 0.01 }],
};
const countedFrame = (counter: number, one: number, two: number): Buffer => {
  const body = Buffer.from([0xa5, 0x5a, counter & 0xff, 0, 0, 0, 0]);
  body.writeInt16BE(one, 3);
  body.writeInt16BE(two, 5);
  return sealed(body);
};

describe('framed-binary reads', () => {
  it('scaled values as the decimals they stand for', async () => {
    const all = await events(counted, countedFrame(0, 1_235, -32_768), countedFrame(1, 7, 3));
    expect(samplesOf(all, 2)).toEqual([[12.35, 0.07], [-327.68, 0.03]]);
    expect(faults(all)).toEqual([]);
  });

  it('frames of two written by hand, with SUM-8/ZERO over all but the sync byte, low byte first', async () => {
    const options = {
      framing: { kind: 'sync', bytes: '7e', length: { at: 1, add: 3 } }, byteOrder: 'little',
      checksum: { name: 'SUM-8/ZERO', from: 1 }, channels: [{ at: 2, type: 'i24', scale: 0.5, offset: 1 }],
    };
    // 03 + 10 27 00 = 3a, so the sum is completed by c6; fe ff ff and 03 give ff, completed by 01.
    const all = await events(options, bytes('7e 03 10 27 00 c6 7e 03 fe ff ff 01 7e 03 10 27 00 c6'));
    expect(samplesOf(all)).toEqual([[5_001, 0, 5_001]]);
  });

  it('several samples in a frame, and as many as its length says', async () => {
    const channels = [{ at: 0, type: 'i16' }, { at: 2, type: 'i16' }];
    const fixed = { framing: { kind: 'cobs' }, channels, samples: { count: 2, stride: 4 } };
    expect(samplesOf(await events(fixed, bytes('00'), encodeCobs(bytes('0001 fff6 0002 ffec'))), 2)).toEqual([[1, 2], [-10, -20]]);
    const free = { framing: { kind: 'slip' }, channels, samples: { count: 'by-length', stride: 4 } };
    expect(samplesOf(await events(free, bytes('c0'), encodeSlip(bytes('0001 fff6')), encodeSlip(bytes('0002 ffec 0003 ffe2 00c0 00db'))), 2)).toEqual([[1, 2, 3, 192], [-10, -20, -30, 219]]);
  });

  it('frames of the wanted kind only', async () => {
    const options = { framing: { kind: 'cobs' }, only: { at: 0, bytes: '01' }, channels: [{ at: 1, type: 'u8' }] };
    const all = await events(options, bytes('00'), encodeCobs(bytes('01 07')), encodeCobs(bytes('02')), encodeCobs(bytes('01 08')));
    expect([samplesOf(all), faults(all)]).toEqual([[[7, 8]], []]);
  });

  it('status bits: overload and unsteadiness beside the value, sign, and no value at all', async () => {
    const options = {
      framing: { kind: 'cobs' }, channels: [{ at: 1, type: 'u8', status: { at: 0, negative: [7], invalid: [6] } }], status: { at: 0, overload: [0], unstable: [1] },
    };
    const all = await events(options, bytes('00'), ...['00 05', '81 05', '02 05', '40 05', '03 06'].map((hex) => encodeCobs(bytes(hex))));
    expect(samplesOf(all)).toEqual([[5, -5, 5, null, 6]]);
    expect(all.flatMap((event) => (event.kind === 'values' ? [...(event.status ?? [0])] : []))).toEqual([0, 1, 2, 3]);
  });

  it('status bits that stand with one channel for all that have none of their own, but for the sign', async () => {
    const status = { at: 0, overload: [0], invalid: [6], negative: [7] };
    const options = (first: object): object => ({ framing: { kind: 'cobs' }, channels: [{ at: 1, type: 'u8', ...first }, { at: 2, type: 'u8', status }] });
    const seen = async (first: object): Promise<unknown> => {
      const all = await events(options(first), bytes('00'), ...['01 0d 02', '80 0d 02', '40 0d 02'].map((hex) => encodeCobs(bytes(hex))));
      return [samplesOf(all, 2), [0, 1].map((channel) => all.flatMap((event) => (event.kind === 'values' && event.channel === channel ? [...(event.status ?? new Uint8Array(event.values.length))] : [])))];
    };
    expect(await seen({})).toEqual([[[13, 13, null], [2, -2, null]], [[1, 0], [1, 0]]]);
    expect(await seen({ status: null })).toEqual([[[13, 13, 13], [2, -2, null]], [[0, 0, 0], [1, 0]]]);
    expect(await seen({ status: { at: 0, unstable: [6] } })).toEqual([[[13, 13, 13], [2, -2, null]], [[0, 0, 2], [1, 0]]]);
  });

  it('digits of a bcd, and says when one is none', async () => {
    const options = { framing: { kind: 'cobs' }, channels: [{ at: 0, type: 'bcd', bytes: 2, scale: 0.1 }] };
    const all = await events(options, bytes('00'), encodeCobs(bytes('12 34')), encodeCobs(bytes('1a 34')));
    expect([samplesOf(all), faults(all)]).toEqual([[[123.4, null]], [['FRAME_UNREADABLE', 1, 0]]]);
  });

  it('no value out of a NaN, an infinity, or a converter at its stop', async () => {
    const float = { framing: { kind: 'cobs' }, channels: [{ at: 0, type: 'f32' }, { at: 4, type: 'u8' }] };
    const all = await events(float, bytes('00'), ...['7fc00000 01', 'ff800000 02', '3f800000 03'].map((hex) => encodeCobs(bytes(hex))));
    expect(samplesOf(all, 2)).toEqual([[null, null, 1], [1, 2, 3]]);
    expect(new Set(faults(all).map(([code]) => code))).toEqual(new Set(['VALUE_NOT_FINITE']));
    const stop = { framing: { kind: 'cobs' }, channels: [{ at: 0, type: 'i16', overloadBelow: -32_768, overloadAbove: 32_767 }] };
    const stopped = await events(stop, bytes('00'), ...['7fff', '7ffe', '8000', '8001'].map((hex) => encodeCobs(bytes(hex))));
    expect([samplesOf(stopped), faults(stopped).map(([code]) => code)]).toEqual([[[null, 32_766, null, -32_767]], ['VALUE_OVERLOAD', 'VALUE_OVERLOAD']]);
  });
});

describe('framed-binary counts what is lost', () => {
  it('by the counter, over its wrap, as one fault', async () => {
    const all = await events(counted, countedFrame(253, 1, 1), countedFrame(254, 2, 2), countedFrame(1, 5, 5));
    expect(samplesOf(all, 2)).toEqual([[0.01, 0.02, null, null, 0.05], [0.01, 0.02, null, null, 0.05]]);
    expect(faults(all)).toEqual([['FRAME_LOST', 2, null]]);
  });

  it('also where the counter rises by more than one, or begins again earlier', async () => {
    const by = { ...counted, counter: { at: 2, step: 4 } };
    const whole = await events(by, countedFrame(248, 1, 1), countedFrame(252, 2, 2), countedFrame(0, 3, 3), countedFrame(8, 5, 5));
    expect([samplesOf(whole, 2)[0], faults(whole)]).toEqual([[0.01, 0.02, 0.03, null, 0.05], [['FRAME_LOST', 1, null]]]);
    const ten = { ...counted, counter: { at: 2, modulo: 10 } };
    const wrapped = await events(ten, countedFrame(8, 1, 1), countedFrame(9, 2, 2), countedFrame(0, 3, 3), countedFrame(3, 6, 6));
    expect([samplesOf(wrapped, 2)[0], faults(wrapped)]).toEqual([[0.01, 0.02, 0.03, null, null, 0.06], [['FRAME_LOST', 2, null]]]);
  });

  it('a frame with a wrong checksum once, though the counter tells of it too', async () => {
    const bad = countedFrame(1, 2, 2);
    bad[4]! ^= 0x40;
    const all = await events(counted, Buffer.concat([countedFrame(0, 1, 1), bad, countedFrame(2, 3, 3)]));
    expect(samplesOf(all, 2)[0]).toEqual([0.01, null, 0.03]);
    expect(faults(all)).toEqual([['FRAME_CHECKSUM', 1, null]]);
  });

  it('bytes between frames that cost none, as none', async () => {
    const all = await events(counted, Buffer.concat([countedFrame(0, 1, 1), bytes('13 13'), countedFrame(1, 2, 2)]));
    expect([samplesOf(all, 2)[0], faults(all)]).toEqual([[0.01, 0.02], [['FRAME_UNREADABLE', 0, null]]]);
  });

  it('a counter that begins anew as a break, not as a million samples', async () => {
    const wide = { ...counted, framing: { kind: 'cobs' }, counter: { at: 0, type: 'u32' }, channels: [{ at: 4, type: 'u8' }] };
    const frame = (count: number, value: number): Buffer => {
      const body = Buffer.alloc(5);
      body.writeUInt32BE(count);
      body[4] = value;
      return encodeCobs(sealed(body));
    };
    const all = await events(wide, bytes('00'), frame(4_000_000_000, 1), frame(0, 2), frame(1, 3));
    expect([samplesOf(all), faults(all)]).toEqual([[[1, null, 2, 3]], [['FRAME_LOST', 1, null]]]);
  });

  it('damaged frames without end as they come', async () => {
    const bad = encodeCobs(bytes('01 02 03 04'));
    const all = await events({ ...counted, framing: { kind: 'cobs' }, counter: { at: 0 }, channels: [{ at: 1, type: 'u8' }] },
      encodeCobs(bytes('00')), encodeCobs(sealed(bytes('07 01'))), ...Array<Buffer>(40).fill(bad));
    expect(faults(all).filter(([code]) => code === 'FRAME_CHECKSUM').length).toBe(2);
  });

  it.each([1, 2, 5])('exactly: any frames lost or damaged, %d channels in turn or all in one frame, leave every index true', async (channels) => {
    const isInTurn = channels > 1;
    const options = {
      framing: { kind: 'sync', bytes: 'a5', length: 7 }, counter: { at: 1 }, checksum: { name: 'CRC-16/XMODEM' }, channels: [{ at: 3, type: 'i16' }],
      ...(isInTurn && { frameChannel: { at: 2, numbers: Array.from({ length: channels }, (_, i) => 10 + i) } }),
    };
    const frame = (n: number): Buffer => {
      const body = Buffer.from([0xa5, n & 0xff, 10 + (n % channels), 0, 0]);
      body.writeInt16BE(Math.floor(n / channels), 3);
      return sealed(body);
    };
    const fates = fc.array(fc.tuple(fc.constantFrom('comes', 'comes', 'lost', 'damaged'), fc.oneof({ weight: 8, arbitrary: fc.integer({ min: 1, max: 6 }) }, fc.integer({ min: 1, max: 120 }))), { maxLength: 30 });
    await fc.assert(fc.asyncProperty(fates, fc.integer({ min: 1, max: 50 }), async (parts, size) => {
      let run = 0;
      const sent: Buffer[] = [frame(0)];
      let n = 1;
      for (const [fate, count] of parts) {
        for (let i = 0; i < count; i++, n++) {
          if (fate === 'comes') run = 0;
          // A counter of one byte cannot tell 256 lost frames from none.
          else if (++run > 250) run = 0;
          const isHere = fate === 'comes' || run === 0;
          if (isHere) sent.push(frame(n));
          else if (fate === 'damaged') {
            const bad = frame(n);
            bad[4]! ^= 1;
            sent.push(bad);
          }
        }
      }
      sent.push(frame(n));
      const stream = Buffer.concat(sent);
      const chunks = Array.from({ length: Math.ceil(stream.length / size) }, (_, i) => stream.subarray(i * size, (i + 1) * size));
      samplesOf(await events(options, ...chunks), channels).forEach((list, channel) => {
        list.forEach((value, index) => expect([null, index]).toContain(value));
        // Every sample up to the last frame is there, or missing where it belongs.
        expect(list.length).toBe(Math.floor((n - channel + channels) / channels));
      });
    }), { numRuns: 60 });
  });

  it('without a counter by the bytes, also of a channel that sends in turn', async () => {
    const { counter: _, ...plain } = counted;
    const good = countedFrame(0, 1, 1);
    const bad = Buffer.from(good);
    bad[6]! ^= 1;
    const all = await events(plain, Buffer.concat([good, bad, bad, bad, good]));
    expect([samplesOf(all, 2)[1], faults(all)]).toEqual([[0.01, null, null, null, 0.01], [['FRAME_CHECKSUM', 3, null]]]);
  });
});

describe('framed-binary over any bytes', () => {
  it('gives the same for any split, and values only from frames whose checksum is right', async () => {
    const noise = fc.oneof(fc.uint8Array({ maxLength: 60 }), fc.constantFrom(bytes('a5 5a'), bytes('a5'), bytes('a5 5a 00 00 00 00 00 00 00')));
    await fc.assert(fc.asyncProperty(fc.array(fc.tuple(noise, fc.nat(255)), { maxLength: 10 }), fc.array(fc.integer({ min: 1, max: 30 }), { minLength: 1 }), async (parts, sizes) => {
      const stream = Buffer.concat([...parts.flatMap(([before, n]) => [before, countedFrame(n, 100 + n, -n)]), Buffer.alloc(9)]);
      const chunks: Buffer[] = [];
      for (let at = 0, i = 0; at < stream.length; i++) {
        chunks.push(stream.subarray(at, at + sizes[i % sizes.length]!));
        at += sizes[i % sizes.length]!;
      }
      const [whole, pieces] = [samplesOf(await events(counted, stream), 2), samplesOf(await events(counted, ...chunks), 2)];
      expect(pieces).toEqual(whole);
      // Sixteen bits cannot rule chance out, so what came by it must at least carry its checksum.
      const possible = new Set<number>();
      for (let at = 0; at + 9 <= stream.length; at++) {
        if (stream[at] === 0xa5 && stream[at + 1] === 0x5a && crc.compute(stream, at, at + 7) === stream.readUInt16BE(at + 7)) possible.add(stream.readInt16BE(at + 3) / 100);
      }
      for (const value of whole[0]!) if (value !== null) expect(possible).toContain(value);
      expect(whole[0]!.filter((value) => value !== null).length).toBeGreaterThanOrEqual(parts.length);
    }), { numRuns: 150 });
  });
});

describe('framed-binary without a checksum', () => {
  const plain = framedBinary.optionsSchema.parse({ framing: { kind: 'sync', bytes: 'a5 5a', length: 3 }, channels: [{ at: 2, type: 'u8' }] });
  const frame = (value: number): Buffer => Buffer.of(0xa5, 0x5a, value);

  async function arrivals(chunks: readonly (readonly [atMs: number, data: Buffer])[]): Promise<[kind: string | number, atMs: number][]> {
    const { link, far } = createMemoryLink(systemClock);
    const session = framedBinary.createSession({ options: plain, link, clock: systemClock, signal: new AbortController().signal });
    const seen: [string | number, number][] = [];
    session.events$.subscribe((event) => (event.kind === 'values' ? event.values.forEach((value) => seen.push([value, event.atMs])) : seen.push([event.error.code, event.atMs])));
    await session.start();
    for (const [atMs, data] of chunks) far.deliver(data, atMs);
    return seen;
  }

  it('gives a frame the time of its own bytes, though it counts only when the next begins', async () => {
    const seen = await arrivals([[1e9, Buffer.concat([frame(1), frame(2)])], [2e9, frame(3)], [9e9, Buffer.concat([frame(4), frame(5), frame(6)])]]);
    expect(seen).toEqual([[1, 1e9], [2, 1e9], [3, 2e9], [4, 9e9], [5, 9e9]]);
  });

  it('gives one whose bytes are not all there the time of the last', async () => {
    const seen = await arrivals([[0.5e9, Buffer.concat([frame(8), frame(9), frame(7)])], [1e9, frame(1).subarray(0, 2)], [2e9, Buffer.concat([frame(1).subarray(2), frame(2).subarray(0, 1)])], [3e9, frame(2).subarray(1)], [4e9, frame(3)]]);
    expect(seen.slice(2)).toEqual([[7, 0.5e9], [1, 2e9], [2, 3e9]]);
  });

  it('never lets times go back, whatever bytes come in whatever pieces', async () => {
    const piece = fc.array(fc.oneof(fc.constantFrom(0xa5, 0x5a), fc.nat(255)), { minLength: 1, maxLength: 9 });
    await fc.assert(fc.asyncProperty(fc.array(piece, { maxLength: 60 }), async (pieces) => {
      const times = (await arrivals(pieces.map((data, i) => [1e9 + i, Buffer.from(data)]))).map(([, atMs]) => atMs);
      expect(times).toEqual(times.toSorted((a, b) => a - b));
    }));
  });
});

describe('framed-binary takes', () => {
  it('commands in hexadecimal, and refuses what is not', async () => {
    const { link, far } = createMemoryLink(systemClock);
    const options = framedBinary.optionsSchema.parse({ ...counted, commands: { start: '01 02', stop: '03', zero: '7A7a' } });
    const session = framedBinary.createSession({ options, link, clock: systemClock, signal: new AbortController().signal });
    await session.start();
    await session.command({ kind: 'zero' });
    await session.command({ kind: 'send', text: 'fe' });
    await expect(session.command({ kind: 'send', text: 'start!' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED' });
    await session.stop();
    expect(Buffer.concat(far.written).toString('hex')).toBe('01027a7afe03');
    await expect(session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'LINK_CLOSED' });
  });

  it.each([
    ['a value beyond the frame', { channels: [{ at: 6, type: 'i16' }] }, 'channels.0.at'],
    ['no way to find a frame', { framing: { kind: 'fixed', length: 4 }, checksum: undefined, counter: undefined, channels: [{ at: 0, type: 'i16' }] }, 'checksum'],
    ['bcd of no size', { channels: [{ at: 3, type: 'bcd' }] }, 'channels.0.bytes'],
    ['samples that overlap', { samples: { count: 'by-length', stride: 3 } }, 'samples.stride'],
    ['a checksum of a name that means three', { checksum: { name: 'CRC-16/CCITT' } }, 'checksum.name'],
    ['half a byte', { framing: { kind: 'sync', bytes: 'a5 5', length: 9 } }, 'framing.bytes'],
    ['two channels in one place', { channels: [{ at: 3, type: 'i16' }, { at: 3, type: 'u8' }] }, 'channels'],
    ['a step that does not fit', { counter: { at: 2, step: 3 } }, 'counter.step'],
    ['more than one place with channels in turn', { frameChannel: { at: 2, numbers: [1, 2] } }, 'channels'],
    ['a channel number twice', { channels: [{ at: 3, type: 'i16' }], frameChannel: { at: 2, numbers: [1, 1] } }, 'frameChannel.numbers'],
  ])('no layout with %s', (_, change, path) => {
    const parsed = framedBinary.optionsSchema.safeParse({ ...counted, ...change });
    expect(parsed.error?.issues.map((issue) => issue.path.join('.'))).toContain(path);
  });
});
