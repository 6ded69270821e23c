/** Ten million bytes of seeded noise into every framer and every driver: the seed stands in each test's name. */
import { describe, expect, it } from 'vitest';
import type { DriverEvent } from '../../drivers/api.ts';
import { checksum } from '../../drivers/framing/checksum.ts';
import { COBS } from '../../drivers/framing/cobs.ts';
import { DelimitedFramer } from '../../drivers/framing/delimited-framer.ts';
import type { FrameCheck, FrameSink, Framer } from '../../drivers/framing/framer.ts';
import { LineFramer } from '../../drivers/framing/line-framer.ts';
import { SLIP } from '../../drivers/framing/slip.ts';
import { SyncFramer } from '../../drivers/framing/sync-framer.ts';
import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import { encodeCobs, encodeSlip } from '../helpers/frame-encoders.ts';

const NOISE_BYTES = 10_000_000;
const SEED = 20_261_125;

/** Chunks of 1 to 4096 bytes: even noise, text-like noise and long runs of one byte, by turns. */
function* noise(seed: number): Generator<Uint8Array> {
  let state = seed >>> 0;
  const next = (): number => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), state | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return (t ^ (t >>> 14)) >>> 0;
  };
  const text = Buffer.from('0123456789+-.,;eEN mOL\r\n\t#?"');
  for (let sent = 0; sent < NOISE_BYTES;) {
    const chunk = new Uint8Array(Math.min(1 + (next() % 4096), NOISE_BYTES - sent));
    const kind = next() % 8;
    const byte = next() & 0xff;
    for (let i = 0; i < chunk.length; i++) chunk[i] = kind === 0 ? byte : kind < 4 ? text[next() % text.length]! : next() & 0xff;
    sent += chunk.length;
    yield chunk;
  }
}

/** CRC-16/MODBUS bit by bit, apart from the product's tables. */
function crcBitByBit(bytes: Uint8Array): number {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = crc & 1 ? (crc >>> 1) ^ 0xa001 : crc >>> 1;
  }
  return crc;
}

const crc = checksum('CRC-16/MODBUS');
const check: FrameCheck = (data, start, end) => end - start > 2 && crc.compute(data, start, end - 2) === (data[end - 2]! | (data[end - 1]! << 8));
const sealed = (...body: number[]): Uint8Array => {
  const value = crcBitByBit(Uint8Array.from(body));
  return Uint8Array.of(...body, value & 0xff, value >>> 8);
};
const isSealed = (frame: Uint8Array): boolean => frame.length > 2 && crcBitByBit(frame.subarray(0, -2)) === (frame.at(-2)! | (frame.at(-1)! << 8));

const FRAMERS: [string, () => Framer, Uint8Array, Uint8Array, boolean][] = [
  ['lines', () => new LineFramer({ delimiter: Buffer.from('\n'), maxLineBytes: 256 }), Buffer.from('\n'), Buffer.from('12.5\n'), false],
  ['sync bytes and length', () => new SyncFramer({ sync: Uint8Array.of(0x7e, 0x81), length: { read: (data, start) => data[start + 2]!, headBytes: 3, min: 6, max: 20 }, check, checkBits: 16 }), new Uint8Array(0), sealed(0x7e, 0x81, 8, 1, 2, 3), true],
  ['COBS', () => new DelimitedFramer({ code: COBS, maxFrameBytes: 64, check }), Uint8Array.of(0), encodeCobs(sealed(1, 2, 0, 3)), true],
  ['SLIP', () => new DelimitedFramer({ code: SLIP, maxFrameBytes: 64, check }), Uint8Array.of(0xc0), encodeSlip(sealed(1, 0xc0, 0xdb, 3)), true],
];

describe.each(FRAMERS)(`10 million bytes of noise (seed ${SEED}) into the framer of %s`, (_name, create, resync, good, isChecked) => {
  it('throw nothing, stay within its bound, give no frame that fails its check, and leave the first whole frame after them', () => {
    const framer = create();
    let isTrue = true;
    const seen: string[] = [];
    const sink: FrameSink = {
      frames: (bytes, bounds, count) => {
        for (let i = 0; i < count; i++) {
          const frame = bytes.subarray(bounds[2 * i], bounds[2 * i + 1]);
          if (isChecked && !isSealed(frame)) isTrue = false;
          seen.push('');
          if (seen.length > 8) seen.shift();
          seen[seen.length - 1] = Buffer.from(frame).toString('hex');
        }
      },
      tooLong: () => undefined,
    };
    let worst = 0;
    for (const chunk of noise(SEED)) {
      framer.push(chunk, sink);
      worst = Math.max(worst, framer.buffered);
    }
    expect(worst).toBeLessThanOrEqual(framer.maxBuffered);
    expect(isTrue).toBe(true);

    const clean = create();
    const wanted: string[] = [];
    const cleanSink: FrameSink = { ...sink, frames: (bytes, bounds, count) => {
      for (let i = 0; i < count; i++) wanted.push(Buffer.from(bytes.subarray(bounds[2 * i], bounds[2 * i + 1])).toString('hex'));
    } };
    clean.push(Buffer.concat([resync, good, good, good]), cleanSink);
    seen.length = 0;
    framer.push(Buffer.concat([resync, good, good, good]), sink);
    expect(wanted.length).toBeGreaterThanOrEqual(2);
    expect(seen.filter((frame) => frame === wanted[0])).toHaveLength(3);
  });
});

/** Options with the strongest check that each driver offers; those without an entry run on their defaults. */
const OPTIONS: Record<string, unknown> = {
  'framed-binary': { framing: { kind: 'sync', bytes: 'a5 5a', length: 10 }, byteOrder: 'little', checksum: { name: 'CRC-32/ISO-HDLC' }, channels: [{ at: 2, type: 'i32', scale: 0.001 }] },
  'raw-counts': { framing: 'cobs', channels: 1, checksum: 'CRC-16/KERMIT' },
  'scpi': { poll: { rateHz: 100 } },
  'modbus-rtu': { poll: { rateHz: 100 }, channels: [{ address: 0, type: 'i16' }] },
  'modbus-tcp': { poll: { rateHz: 100 }, channels: [{ address: 0, type: 'i16' }] },
};

describe.each(BUILT_IN_DRIVERS.map((driver) => [driver.id, driver] as const))(`10 million bytes of noise (seed ${SEED}) into the driver %s`, (id, driver) => {
  it('throw nothing, end nothing, bring no value that is not finite, and keep memory bounded', async () => {
    const options = driver.optionsSchema.parse(OPTIONS[id] ?? {});
    const { link, far } = createMemoryLink(systemClock);
    const controller = new AbortController();
    const session = driver.createSession({ options, link, clock: systemClock, signal: controller.signal });
    let values = 0;
    let isFinite = true;
    let end: unknown = null;
    session.events$.subscribe({
      next: (event: DriverEvent) => {
        if (event.kind !== 'values') return;
        values += event.values.length;
        isFinite &&= event.values.every((value) => Number.isFinite(value));
      },
      error: (thrown: unknown) => (end = thrown ?? 'error'),
      complete: () => (end = 'complete'),
    });
    const started = session.start().catch(() => null);
    const before = process.memoryUsage().heapUsed;
    let turns = 0;
    for (const chunk of noise(SEED)) {
      far.deliver(chunk);
      if (++turns % 64 === 0) await new Promise((resolve) => setImmediate(resolve));
    }
    expect(end).toBeNull();
    expect(isFinite).toBe(true);
    // A checksum of 32 bits lets none of these through; one of 16 bits a few by chance, as it must.
    if (id === 'framed-binary') expect(values).toBe(0);
    expect(session.counters().discardedBytes + session.counters().frames).toBeGreaterThan(0);
    expect((process.memoryUsage().heapUsed - before) / 1e6).toBeLessThan(200);
    controller.abort();
    await session.stop();
    far.finish();
    await started;
  });
});
