import fc from 'fast-check';
import { expect, it } from 'vitest';
import { AsciiLinesCodec } from '../../../../../drivers/protocols/ascii-lines/codec.ts';
import { AsciiLinesOptions } from '../../../../../drivers/protocols/ascii-lines/options.ts';

type Input = Parameters<typeof AsciiLinesOptions.parse>[0];
type Seen = [kind: string, channel: number | null, what: unknown, unit?: string | null, status?: number];

/** Each line as a list, so that what was told belongs to its line. */
function decoded(codec: AsciiLinesCodec, lines: readonly Uint8Array[]): Seen[][] {
  return lines.map((line) => {
    const seen: Seen[] = [];
    codec.decode(line, Int32Array.of(0, line.length), 1, {
      value: (...told) => seen.push(['value', ...told]),
      fault: (channel, code, message) => seen.push(['fault', channel, `${code} ${message}`]),
      recognise: () => false,
    });
    return seen;
  });
}

const FORMS: readonly Input[] = [
  {},
  { decimal: 'comma' },
  { encoding: 'latin1' },
  { encoding: 'utf8' },
  { separator: ' ', channels: [{ column: 1, unitColumn: 2, statusColumn: 3 }], status: { good: ['OK'], overload: ['OVER'] } },
  { separator: '\t', channels: [{ column: 2, unitColumn: 1 }, { column: 3, statusColumn: 4 }], status: { good: ['OK', 'e5'], unstable: ['T'] } },
  { separator: ';', channels: [{ column: 3 }, { column: 1, unitColumn: 2 }], status: { good: ['OK'], overload: ['OVER'] }, decimal: 'comma' },
  { separator: ';', lineChannel: { column: 1, names: ['A', 'B'] }, channels: [{ column: 2, unitColumn: 3 }] },
  { separator: ' ', channels: [{ column: 1, unitColumn: 2 }], sign: { negative: ['L'], positive: ['R'] } },
  { separator: '-', channels: [{ column: 1 }, { column: 2 }] },
  { separator: 'e', channels: [{ column: 1 }, { column: 2, unitColumn: 3 }] },
  { separator: '.', channels: [{ column: 1 }, { column: 2, unitColumn: 3 }] },
  { pattern: '^(?<value>[+-]?[0-9.]+) *(?<unit>[A-Za-z]*)$' },
];

const number = fc.oneof(
  fc.constantFrom('0', '-0.0', '12.345', '-3,5', '+7', '.5', '1e5', '2E-1', '--1', '- 4', '123456789012345678', '1.2.3', '5.', 'nan', ''),
  fc.tuple(fc.constantFrom('', '-', '+'), fc.integer({ min: 0, max: 99_999 }), fc.constantFrom('.', ','), fc.integer({ min: 0, max: 9_999 })).map((parts) => parts.join('')),
);
const word = fc.constantFrom('', 'Nm', 'cNm', 'N m', 'N.m', 'OK', 'OVER', 'T', 'L', 'R', 'A', 'B', 'e5', 'TRQ', '%', 'ID7', '\u00a0', '\u00b5', '\r', '\v', '5');
const gap = fc.constantFrom(' ', '  ', '\t', ';', '-', 'e', '.', ', ', '');
const pieces = fc.array(fc.tuple(fc.oneof({ weight: 2, arbitrary: number }, { weight: 1, arbitrary: word }), gap).map((pair) => pair.join('')), { minLength: 1, maxLength: 5 });
const line = pieces.map((all) => Buffer.from(all.join(''), 'utf8'));

/** The same line again and again with other numbers, as devices send it, between lines of other kinds. */
const alike = fc.tuple(fc.array(fc.oneof(word, gap, fc.constant('#')), { minLength: 1, maxLength: 7 }), fc.array(number, { minLength: 2, maxLength: 6 }))
  .map(([frame, numbers]) => numbers.map((_, i) => Buffer.from(frame.map((part, k) => (part === '#' ? numbers[(i + k) % numbers.length]! : part)).join(''), 'utf8')));

it.each(FORMS.map((form) => [JSON.stringify(form), form] as const))('lines mean with memory what they mean to a reader without any: %s', (_, form) => {
  const options = AsciiLinesOptions.parse(form);
  const isSame = (lines: readonly Uint8Array[]): void => {
    const remembering = decoded(new AsciiLinesCodec(options), lines);
    expect(remembering).toEqual(lines.map((one) => decoded(new AsciiLinesCodec(options), [one])[0]));
  };
  fc.assert(fc.property(fc.array(fc.oneof(alike, line.map((one) => [one])), { maxLength: 8 }), (groups) => isSame(groups.flat())), { numRuns: 400 });
});

it('usual formats of lines are read so to the last bit, and many of them', () => {
  const forms: [Input, (text: string, n: number) => string][] = [
    [{}, (text) => `${text} Nm\r`],
    [{}, (text) => `Nm ${text}`],
    [{ separator: ' ', channels: [{ column: 1, unitColumn: 2, statusColumn: 3 }], status: { good: ['OK'], overload: ['OVER'] } }, (text, n) => `${text} Nm ${n % 7 === 0 ? 'OVER' : 'OK'}\r`],
    [{ separator: ';', lineChannel: { column: 1, names: ['A', 'B'] }, channels: [{ column: 2, unitColumn: 3 }] }, (text, n) => `${n % 2 ? 'A' : 'B'};${text};cNm`],
    // A counter in the line: nothing comes again, and nothing is remembered for ever.
    [{ separator: ';', channels: [{ column: 1, unitColumn: 2 }] }, (text, n) => `${text};Nm;${n}`],
  ];
  const torques = fc.array(fc.tuple(fc.constantFrom('', '-', '+'), fc.nat(9_999), fc.stringMatching(/^[0-9]{0,9}$/)).map(([sign, whole, part]) => `${sign}${whole}.${part}`), { minLength: 1, maxLength: 200 });
  fc.assert(fc.property(fc.constantFrom(...forms), torques, ([form, write], texts) => {
    const seen = decoded(new AsciiLinesCodec(AsciiLinesOptions.parse(form)), texts.map((text, n) => Buffer.from(write(text, n))));
    expect(seen.map((told) => told[0]![2])).toEqual(texts.map(Number));
  }), { numRuns: 100 });
});

it('a line that contradicts itself is no torque, though the one before was the same but for its sign', () => {
  const options = AsciiLinesOptions.parse({ separator: ' ', channels: [{ column: 1, unitColumn: 2, statusColumn: 3 }], sign: { negative: ['L'], positive: ['R'] } });
  const lines = ['5.5 Nm R', '-5.5 Nm R', '5.5 Nm L', '6.5 Nm L'].map((text) => Buffer.from(text));
  const kinds = decoded(new AsciiLinesCodec(options), lines).map((told) => [told[0]![0], told[0]![2]]);
  expect(kinds).toEqual([['value', 5.5], ['fault', expect.stringContaining('contradict')], ['value', -5.5], ['value', -6.5]]);
});
