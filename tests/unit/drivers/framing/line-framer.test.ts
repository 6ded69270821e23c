import { ReadlineParser } from '@serialport/parser-readline';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { LineFramer } from '../../../../drivers/framing/line-framer.ts';

const encoder = new TextEncoder();
const LF = encoder.encode('\n');
const MAX = 32;

interface Seen {
  lines: string[];
  tooLong: number;
}

function frame(chunks: readonly Uint8Array[], delimiter = LF, maxLineBytes = MAX): Seen & { framer: LineFramer; partial: string | null } {
  let partial: string | null = null;
  const framer = new LineFramer({ delimiter, maxLineBytes, onPartial: (bytes) => { partial = latin1(bytes); } });
  const seen: Seen = { lines: [], tooLong: 0 };
  for (const chunk of chunks) {
    framer.push(chunk, {
      frames: (bytes, bounds, count) => {
        for (let i = 0; i < count; i++) seen.lines.push(latin1(bytes.subarray(bounds[2 * i], bounds[2 * i + 1])));
      },
      tooLong: () => seen.tooLong++,
    });
    expect(framer.buffered).toBeLessThanOrEqual(framer.maxBuffered);
  }
  return { ...seen, framer, partial };
}

const latin1 = (bytes: Uint8Array): string => Buffer.from(bytes).toString('latin1');

function split(bytes: Uint8Array, cuts: readonly number[]): Uint8Array[] {
  const at = [...new Set(cuts.map((cut) => cut % (bytes.length + 1)))].sort((a, b) => a - b);
  return [0, ...at].map((from, i) => bytes.slice(from, at[i] ?? bytes.length));
}

/** What the reference makes of the same bytes in one piece, without what it emits at the end. */
function reference(bytes: Uint8Array, delimiter: Uint8Array): string[] {
  const lines: string[] = [];
  const parser = new ReadlineParser({ delimiter: [...delimiter], encoding: 'latin1' });
  parser.on('data', (line: string) => lines.push(line));
  parser.push = ((line: Buffer) => lines.push(latin1(line)) > 0) as typeof parser.push;
  parser._transform(Buffer.from(bytes), 'latin1', () => {});
  return lines;
}

/** Bytes in which delimiters, and pieces of them, are frequent. */
const bytesWith = (delimiter: Uint8Array): fc.Arbitrary<Uint8Array> => fc.array(
  fc.oneof(
    { weight: 3, arbitrary: fc.uint8Array({ maxLength: 12 }) },
    { weight: 2, arbitrary: fc.constant(delimiter) },
    { weight: 1, arbitrary: fc.constant(delimiter.subarray(0, 1)) },
    { weight: 1, arbitrary: fc.uint8Array({ minLength: MAX - 2, maxLength: 3 * MAX }) },
  ), { maxLength: 30 },
).map((parts) => Uint8Array.from(parts.flatMap((part) => [...part])));

describe('lines', () => {
  it('come whole, without their delimiters', () => {
    expect(frame([encoder.encode('cut\n12.5\n-3\n\n')]).lines).toEqual(['12.5', '-3', '']);
  });

  it('never begin with the partial line after opening, and it is counted', () => {
    const { lines, framer, partial } = frame([encoder.encode('2.'), encoder.encode('5\n7.0\n')]);
    expect(lines).toEqual(['7.0']);
    expect(partial).toBe('2.5');
    expect(framer.discardedBytes).toBe(4);
  });

  it('never end with the partial last line; reset reports it', () => {
    const { lines, framer } = frame([encoder.encode('x\n1.5\n12.')]);
    expect(lines).toEqual(['1.5']);
    expect(framer.reset()).toBe(3);
    expect(framer.discardedBytes).toBe(5);
    expect(framer.buffered).toBe(0);
  });

  it('begin anew after reset, first partial line included', () => {
    const { framer } = frame([encoder.encode('x\n1')]);
    framer.reset();
    const lines: string[] = [];
    framer.push(encoder.encode('2\n3\n'), { frames: (bytes, bounds, count) => {
      for (let i = 0; i < count; i++) lines.push(latin1(bytes.subarray(bounds[2 * i], bounds[2 * i + 1])));
    }, tooLong: () => {} });
    expect(lines).toEqual(['3']);
  });

  it.each([['LF', '\n'], ['CR LF', '\r\n'], ['three bytes', 'aab'], ['repeated', 'aa']])('are the reference parser\'s, but for first and over-long ones: %s', (_, text) => {
    const delimiter = encoder.encode(text);
    fc.assert(fc.property(bytesWith(delimiter), (bytes) => {
      const expected = reference(bytes, delimiter).slice(1).filter((line) => line.length <= MAX);
      expect(frame([bytes], delimiter).lines).toEqual(expected);
    }), { numRuns: 500 });
  });

  it.each([['LF', '\n'], ['CR LF', '\r\n'], ['three bytes', 'aab'], ['repeated', 'aa']])('are the same for any split of the bytes: %s', (_, text) => {
    const delimiter = encoder.encode(text);
    fc.assert(fc.property(bytesWith(delimiter), fc.array(fc.nat(2_000), { maxLength: 40 }), (bytes, cuts) => {
      const whole = frame([bytes], delimiter);
      const parts = frame(split(bytes, cuts), delimiter);
      expect(parts.lines).toEqual(whole.lines);
      expect(parts.tooLong).toBe(whole.tooLong);
      expect(parts.framer.discardedBytes + parts.framer.buffered).toBe(whole.framer.discardedBytes + whole.framer.buffered);
    }), { numRuns: 500 });
  });

  it('account for every byte: in a line, in its delimiter, discarded, or kept', () => {
    fc.assert(fc.property(bytesWith(LF), fc.array(fc.nat(2_000), { maxLength: 40 }), (bytes, cuts) => {
      const { lines, framer } = frame(split(bytes, cuts));
      const inLines = lines.reduce((sum, line) => sum + line.length + 1, 0);
      expect(inLines + framer.discardedBytes + framer.buffered).toBe(bytes.length);
    }));
  });
});

describe('the length guard', () => {
  it('discards an over-long line up to its delimiter, tells of it once, and the next line is good', () => {
    const { lines, tooLong, framer } = frame([encoder.encode(`x\n${'9'.repeat(100)}`), encoder.encode(`${'9'.repeat(100)}\n4.2\n`)]);
    expect(lines).toEqual(['4.2']);
    expect(tooLong).toBe(1);
    expect(framer.discardedBytes).toBe(2 + 201);
  });

  it('lets the longest allowed line pass', () => {
    expect(frame([encoder.encode(`x\n${'1'.repeat(MAX)}\n`)]).lines).toEqual(['1'.repeat(MAX)]);
    expect(frame([encoder.encode(`x\n${'1'.repeat(MAX + 1)}\n`)]).lines).toEqual([]);
  });

  it('does not see a delimiter that only cutting put together', () => {
    const CRLF = encoder.encode('\r\n');
    const { lines } = frame([encoder.encode('x\r\nabc\r'), encoder.encode(`${'9'.repeat(100)}\n`), encoder.encode('\r\n5\r\n')], CRLF);
    expect(lines).toEqual(['5']);
  });

  it('takes 10 MB without a delimiter with bounded memory, told once, and goes on with the next line', () => {
    const framer = new LineFramer({ delimiter: LF, maxLineBytes: 256 });
    const chunk = new Uint8Array(4_096).fill(0x39);
    let tooLong = 0;
    const lines: string[] = [];
    const sink = { frames: (bytes: Uint8Array, bounds: Int32Array) => { lines.push(latin1(bytes.subarray(bounds[0], bounds[1]))); }, tooLong: () => { tooLong++; } };
    const rounds = Math.ceil(10e6 / chunk.length);
    for (let i = 0; i < rounds; i++) {
      framer.push(chunk, sink);
      expect(framer.buffered).toBeLessThanOrEqual(256);
    }
    framer.push(encoder.encode('\n1.0\n'), sink);
    expect(tooLong).toBe(1);
    expect(lines).toEqual(['1.0']);
    expect(framer.discardedBytes).toBe(rounds * chunk.length + 1);
  });

  it('costs time in proportion to the bytes, not to their square', () => {
    const spentMs = (bytes: number, step: number): number => {
      const framer = new LineFramer({ delimiter: LF, maxLineBytes: 256 });
      const chunk = new Uint8Array(step).fill(0x39);
      const sink = { frames: () => {}, tooLong: () => {} };
      const before = process.cpuUsage();
      for (let i = 0; i < bytes / step; i++) framer.push(chunk, sink);
      const spent = process.cpuUsage(before);
      return (spent.user + spent.system) / 1e3;
    };
    spentMs(500_000, 64);
    // Ten times the bytes; a square would be a hundred times the work. The plain parser needs minutes here.
    const short = Math.max(spentMs(1_000_000, 64), 1);
    expect(spentMs(10_000_000, 64)).toBeLessThan(40 * short);
  });

  it('refuses limits that make no sense', () => {
    expect(() => new LineFramer({ delimiter: new Uint8Array(0), maxLineBytes: 10 })).toThrow(RangeError);
    expect(() => new LineFramer({ delimiter: LF, maxLineBytes: 0 })).toThrow(RangeError);
    expect(() => new LineFramer({ delimiter: LF, maxLineBytes: 1e6 })).toThrow(RangeError);
  });
});
