/** What every framer promises. */
import assert from 'node:assert/strict';
import type { Framer } from '../framing/framer.ts';
import type { Clause } from './clause.ts';
import { noise } from './driver-tools.ts';
import { timesPlainLoop } from './endurance.ts';

const TIMES_PLAIN_LOOP = 10;

export interface FramerHarness {
  create(): Framer;
  /** Encodes one good frame, delimiters included; `n` makes it differ from others. */
  encode(n: number): Uint8Array;
  /** Ends whatever went before, so that the next frame is seen; empty where frames carry their own beginning. */
  readonly resync: Uint8Array;
}

/** Small seeded generator, so that a failure can be repeated. */
function seeded(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state ^ (state >>> 15), 0x2c1b3c6d) + 0x9e3779b9) >>> 0;
    return (state ^ (state >>> 13)) >>> 0;
  };
}

export function framerClauses(harness: FramerHarness): readonly Clause[] {
  interface Seen {
    frames: string[];
    tooLong: number;
    framer: Framer;
  }
  const run = (chunks: readonly Uint8Array[]): Seen => {
    const seen: Seen = { frames: [], tooLong: 0, framer: harness.create() };
    for (const chunk of chunks) {
      seen.framer.push(chunk, {
        frames: (bytes, bounds, count) => {
          for (let i = 0; i < count; i++) seen.frames.push(Buffer.from(bytes.subarray(bounds[2 * i], bounds[2 * i + 1])).toString('hex'));
        },
        tooLong: () => seen.tooLong++,
      });
      assert.ok(seen.framer.buffered <= seen.framer.maxBuffered, `${seen.framer.buffered} bytes kept`);
    }
    return seen;
  };
  const stream = (count: number): Uint8Array => Buffer.concat([harness.resync, ...Array.from({ length: count }, (_, i) => harness.encode(i))]);

  return [
    { id: 'F1', text: 'the same bytes give the same frames, however they are split', check: async () => {
      const bytes = stream(200);
      const whole = run([bytes]).frames;
      assert.equal(whole.length, 200);
      assert.deepEqual(run([...bytes].map((byte) => Uint8Array.of(byte))).frames, whole);
      for (let seed = 1; seed <= 50; seed++) {
        const next = seeded(seed);
        const chunks: Uint8Array[] = [];
        for (let at = 0; at < bytes.length;) {
          const size = 1 + (next() % 40);
          chunks.push(bytes.slice(at, at + size));
          at += size;
        }
        assert.deepEqual(run(chunks).frames, whole, `seed ${seed}`);
      }
    } },
    { id: 'F2', text: '10 MB of garbage are taken within bounds and cost at most one good frame after it', check: async () => {
      const garbage = new Uint8Array(64 * 1024).fill(0x55);
      const { frames } = run([...Array.from({ length: 160 }, () => garbage), harness.encode(1), harness.encode(2)]);
      assert.ok(frames.includes(run([harness.resync, harness.encode(2)]).frames[0]!));
    } },
    { id: 'F3', text: 'a frame that is not whole is never given, not at the beginning, not at the end, not by reset', check: async () => {
      const frame = harness.encode(7);
      for (let cut = 1; cut < frame.length; cut++) {
        const { frames, framer } = run([frame.slice(cut), harness.encode(8), frame.slice(0, frame.length - cut)]);
        assert.ok(!frames.some((hex) => hex.length > 0 && Buffer.from(frame).toString('hex').includes(hex) && hex !== run([harness.resync, harness.encode(8)]).frames[0]), `cut at ${cut}`);
        framer.reset();
        assert.equal(framer.buffered, 0);
      }
    } },
    { id: 'F4', text: 'after noise the next whole frame is given', check: async () => {
      for (let seed = 1; seed <= 50; seed++) {
        const next = seeded(seed);
        const noise = Uint8Array.from({ length: next() % 1_000 }, () => next() & 0xff);
        const { frames } = run([noise, harness.resync, harness.encode(1), harness.encode(2)]);
        assert.equal(frames.at(-1), run([harness.resync, harness.encode(2)]).frames[0], `seed ${seed}`);
      }
    } },
    { id: 'F5', text: 'bytes thrown away are counted, those of reset too', check: async () => {
      const { framer } = run([harness.encode(1).slice(1), harness.encode(2).slice(0, -1)]);
      const before = framer.discardedBytes;
      assert.equal(before, harness.encode(1).length - 1);
      assert.equal(framer.reset(), harness.encode(2).length - 1);
      assert.equal(framer.discardedBytes, before + harness.encode(2).length - 1);
    } },
    { id: 'F6', text: `garbage of any kind is taken within ${TIMES_PLAIN_LOOP} times a plain loop over the bytes`, check: async () => {
      const kinds: [name: string, bytes: Uint8Array][] = [['one byte for ever', new Uint8Array(64 * 1024).fill(0x55)], ['noise', noise()], ['the beginnings of frames', beginnings()]];
      for (const [name, bytes] of kinds) {
        const framer = harness.create();
        const ratio = timesPlainLoop(TIMES_PLAIN_LOOP, Array.from({ length: 8 }, () => bytes), (chunks) => {
          for (const chunk of chunks) framer.push(chunk, { frames: () => {}, tooLong: () => {} });
        });
        assert.ok(ratio <= TIMES_PLAIN_LOOP, `${name}: ${ratio.toFixed(1)} times a plain loop`);
      }
    } },
    { id: 'F7', text: 'after reset, in whatever state, frames are those of a new framer', check: async () => {
      const tail = stream(20);
      const expected = run([tail]).frames;
      const before = Buffer.concat([harness.resync, harness.encode(1), harness.encode(2)]);
      for (let cut = 0; cut <= before.length; cut++) {
        const framer = harness.create();
        framer.push(before.subarray(0, cut), { frames: () => {}, tooLong: () => {} });
        framer.reset();
        assert.deepEqual(framesOf(framer, [tail]), expected, `reset after ${cut} bytes`);
      }
    } },
  ];

  /** Frames broken off in the middle, which is what makes framers try again. */
  function beginnings(): Uint8Array {
    const parts: Uint8Array[] = [];
    for (let i = 0, bytes = 0; bytes < 64 * 1024; i++) {
      const frame = harness.encode(i % 200);
      parts.push(frame.subarray(0, Math.max(1, frame.length >> 1)));
      bytes += parts.at(-1)!.length;
    }
    return Buffer.concat(parts);
  }
}

/** In hexadecimal. */
function framesOf(framer: Framer, chunks: readonly Uint8Array[]): string[] {
  const frames: string[] = [];
  for (const chunk of chunks) {
    framer.push(chunk, {
      frames: (bytes, bounds, count) => {
        for (let i = 0; i < count; i++) frames.push(Buffer.from(bytes.subarray(bounds[2 * i], bounds[2 * i + 1])).toString('hex'));
      },
      tooLong: () => {},
    });
  }
  return frames;
}
