import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { AsciiLinesCodec } from '../../../../../drivers/protocols/ascii-lines/codec.ts';
import { AsciiLinesOptions } from '../../../../../drivers/protocols/ascii-lines/options.ts';
import { LARGEST_VALUE, STATUS } from '../../../../../shared/sample-block.ts';

type Input = Parameters<typeof AsciiLinesOptions.parse>[0];
type Seen = ['value', number, number, string | null, number] | ['fault', number | null, string];

function decode(options: Input, ...lines: (string | Uint8Array)[]): Seen[] {
  const codec = new AsciiLinesCodec(AsciiLinesOptions.parse(options));
  const seen: Seen[] = [];
  for (const line of lines) {
    const bytes = typeof line === 'string' ? Buffer.from(line, 'utf8') : line;
    codec.decode(bytes, Int32Array.of(0, bytes.length), 1, {
      value: (channel, value, unit, status) => seen.push(['value', channel, value, unit, status]),
      fault: (channel, code) => seen.push(['fault', channel, code]),
      recognise: () => false,
    });
  }
  return seen;
}

const value = (torque: number, channel = 0, unit: string | null = null, status = 0): Seen => ['value', channel, torque, unit, status];
const bad = (code = 'FRAME_UNREADABLE', channel: number | null = null): Seen => ['fault', channel, code];

describe('one number per line', () => {
  it('is read without any settings', () => {
    expect(decode({}, '12.5', '-3', '+0.25\r', '  7 ', '.5', '1e-3')).toEqual([12.5, -3, 0.25, 7, 0.5, 0.001].map((torque) => value(torque)));
  });

  it('accepts blanks between sign and digits', () => {
    expect(decode({}, '-  12.5', '+ 3')).toEqual([value(-12.5), value(3)]);
  });

  it('is a missing sample when it is none', () => {
    expect(decode({}, 'nan', '-INF', 'Infinity', '1e999', '1e16')).toEqual(Array(5).fill(bad('VALUE_NOT_FINITE', 0)));
    expect(decode({}, '', '   ')).toEqual([bad(), bad()]);
    expect(decode({}, '0x10', '1.2.3', '12.3412.35', '--1', '1_000', 'TORQUE', '12 34')).toEqual(Array(7).fill(bad('FRAME_UNREADABLE', 0)));
  });

  it('is never cut at a decimal comma that the settings do not expect', () => {
    expect(decode({}, '12,34')).toEqual([bad('FRAME_UNREADABLE', 0)]);
    expect(decode({ decimal: 'comma' }, '12,34', '-0,5 ')).toEqual([value(12.34), value(-0.5)]);
    expect(decode({ decimal: 'comma' }, '12.34')).toEqual([bad('FRAME_UNREADABLE', 0)]);
    expect(decode({}, '1,234.5')).toEqual([bad('FRAME_UNREADABLE', 0)]);
  });

  it('with a byte that is not ASCII is noise, wherever it stands', () => {
    expect(decode({}, Uint8Array.of(0xb1, 0x32))).toEqual([bad()]);
    expect(decode({ separator: ',' }, Uint8Array.of(0x31, 0x2c, 0xff))).toEqual([bad()]);
    expect(decode({ separator: ',', encoding: 'latin1' }, Uint8Array.of(0x31, 0x2c, 0xff))).toEqual([value(1)]);
  });

  it('names no unit: the channel says which it is', () => {
    expect(decode({}, '5')).toEqual([value(5, 0, null)]);
  });
});

describe('a unit in the line', () => {
  it.each([['12.5 Nm', 'N.m'], ['12.5Nm', 'N.m'], ['12.5 N m', 'N.m'], ['12.5 ft-lb', '[lbf_av].[ft_i]'], ['12.5 lbf.in', '[lbf_av].[in_i]'], ['12.5 kgf.cm', 'kgf.cm']])('%s is %s', (line, unit) => {
    expect(decode({}, line)).toEqual([value(12.5, 0, unit)]);
  });

  it('holds for its own line', () => {
    expect(decode({}, '12.5 cNm', '12.5')).toEqual([value(12.5, 0, 'cN.m'), value(12.5, 0, null)]);
  });

  it('in its own column', () => {
    const options = { channels: [{ column: 1, unitColumn: 2 }] };
    expect(decode(options, '12.5,Nm', '12.5,', '12.5')).toEqual([value(12.5, 0, 'N.m'), value(12.5), value(12.5)]);
    expect(decode(options, '12.5,mm')).toEqual([bad('UNIT_UNKNOWN', 0)]);
  });

  it('that is none makes the line unreadable', () => {
    expect(decode({}, '12.5 mm', '12.5 Nm Nm')).toEqual([bad('FRAME_UNREADABLE', 0), bad('FRAME_UNREADABLE', 0)]);
  });

  it('is read in UTF-8 too', () => {
    expect(decode({ encoding: 'utf8' }, '12.5 N·m')).toEqual([value(12.5, 0, 'N.m')]);
  });
});

describe('sign words', () => {
  const options = { sign: { negative: ['L', 'CCW'], positive: ['R', 'CW'] } };
  it('turn the number, before it or after it', () => {
    expect(decode(options, '12.5 L', 'R 12.5', 'ccw 3', '3 CW', '12.5L', 'L12.5')).toEqual([-12.5, 12.5, -3, 3, -12.5, -12.5].map((torque) => value(torque)));
  });
  it('beside unit and status', () => {
    expect(decode(options, '12.5 Nm L UNSTABLE')).toEqual([value(-12.5, 0, 'N.m', STATUS.unstable)]);
  });
  it('that contradict the sign are not guessed at', () => {
    expect(decode(options, '-12.5 R', '12.5 R L')).toEqual([bad('FRAME_UNREADABLE', 0), bad('FRAME_UNREADABLE', 0)]);
    expect(decode(options, '-12.5 L')).toEqual([value(-12.5)]);
  });
});

describe('the status of a line', () => {
  const one = { separator: ';', channels: [{ column: 1 }, { column: 2, statusColumn: 3 }], status: { good: ['OK'], overload: ['OVR'], unstable: ['MOT'] } };

  it('counts for all of its channels, whichever it was configured for', () => {
    expect(decode(one, '13.0;2.0;OVR', '1;2;OK', '1;2;MOT')).toEqual([
      value(13, 0, null, STATUS.overload), value(2, 1, null, STATUS.overload), value(1), value(2, 1), value(1, 0, null, STATUS.unstable), value(2, 1, null, STATUS.unstable),
    ]);
    const pattern = { pattern: '^(?<value1>\\S+) (?<value2>\\S+) (?<status2>\\w+)$', status: one.status };
    expect(decode(pattern, '13.0 2.0 OVR', '1 2 OK')).toEqual([value(13, 0, null, STATUS.overload), value(2, 1, null, STATUS.overload), value(1), value(2, 1)]);
  });

  it('that nobody knows makes all of them unreadable, and is not passed over', () => {
    expect(decode(one, '13.0;2.0;WHAT')).toEqual([bad('FRAME_UNREADABLE', 0), bad('FRAME_UNREADABLE', 1)]);
  });

  it('is overload without a value where there is none', () => {
    expect(decode(one, ';2.0;OVR')).toEqual([bad('VALUE_OVERLOAD', 0), value(2, 1, null, STATUS.overload)]);
  });

  it('is for one channel alone where the options say so: by a status of its own, or by none', () => {
    const each = { ...one, channels: [{ column: 1, statusColumn: 2 }, { column: 3, statusColumn: 4 }] };
    expect(decode(each, '13;OVR;2;OK')).toEqual([value(13, 0, null, STATUS.overload), value(2, 1)]);
    const without = { ...one, channels: [{ column: 1, statusColumn: null }, { column: 2, statusColumn: 3 }] };
    expect(decode(without, '13;2;OVR')).toEqual([value(13), value(2, 1, null, STATUS.overload)]);
    const empty = { pattern: '^(?<value1>\\S+)(?<status1>) (?<value2>\\S+) (?<status2>\\w+)$', status: one.status };
    expect(decode(empty, '13 2 OVR')).toEqual([value(13), value(2, 1, null, STATUS.overload)]);
    const both = { pattern: '^(?<value1>\\S+) (?<value2>\\S+) (?<status2>\\w+) (?<status>\\w+)$', status: one.status };
    expect(decode(both, '13 2 OK OVR', '13 2 OVR OK')).toEqual([
      value(13, 0, null, STATUS.overload), value(2, 1, null, STATUS.overload), value(13), value(2, 1, null, STATUS.overload),
    ]);
  });

  it('of another channel says nothing of the direction of this one', () => {
    const sided = { ...one, sign: { negative: ['L'], positive: ['R'] } };
    expect(decode(sided, '13;2;L')).toEqual([value(13), value(-2, 1)]);
  });
});

describe('status words', () => {
  it('become status bits of the value', () => {
    expect(decode({ status: { good: ['ST'] } }, '12.5 OL', '12.5 UNSTABLE', '12.5 ST')).toEqual([value(12.5, 0, null, STATUS.overload), value(12.5, 0, null, STATUS.unstable), value(12.5)]);
  });
  it('overload without a value is a fault of its own', () => {
    expect(decode({}, 'OL', '---- OL', ' overload ')).toEqual([bad('VALUE_OVERLOAD', 0), bad('FRAME_UNREADABLE', 0), bad('VALUE_OVERLOAD', 0)]);
  });
  it('in a column of their own; an unknown one is not passed over', () => {
    const options = { channels: [{ column: 2, statusColumn: 1 }], status: { overload: ['1'], good: ['0'] } };
    expect(decode(options, '0,12.5', '1,12.5', '1,', '7,12.5')).toEqual([value(12.5), value(12.5, 0, null, STATUS.overload), bad('VALUE_OVERLOAD', 0), bad('FRAME_UNREADABLE', 0)]);
  });
});

describe('several channels in one line', () => {
  const options = { channels: [{ column: 2 }, { column: 4 }] };
  it('are read from their columns', () => {
    expect(decode(options, '17,1.5,x,-2.5', '17, 1.5 ,x, -2.5 ,more')).toEqual([value(1.5), value(-2.5, 1), value(1.5), value(-2.5, 1)]);
  });
  it('fail apart: the good one is kept', () => {
    expect(decode(options, '17,1.5,x,OL', '17,,x,3', '17,1.5')).toEqual([
      value(1.5), bad('VALUE_OVERLOAD', 1), bad('FRAME_UNREADABLE', 0), value(3, 1), value(1.5), bad('FRAME_UNREADABLE', 1),
    ]);
  });
  it('may stand in any order, and be separated by anything', () => {
    expect(decode({ channels: [{ column: 2 }, { column: 1 }], separator: ';' }, '1;2')).toEqual([value(2), value(1, 1)]);
    expect(decode({ channels: [{ column: 1 }, { column: 3 }], separator: ' ' }, ' 1   x\t 3 ', '1 x 3', '1\tx\t3\r')).toEqual(Array(3).fill([value(1), value(3, 1)]).flat());
    expect(decode({ channels: [{ column: 1 }, { column: 2 }], separator: '\t' }, '1\t2', '1\t2\r', '1 \t 2')).toEqual(Array(3).fill([value(1), value(2, 1)]).flat());
    expect(decode({ channels: [{ column: 1 }, { column: 2 }], separator: '::' }, '1::2')).toEqual([value(1), value(2, 1)]);
  });
});

describe('one channel per line', () => {
  it('is told by a column', () => {
    const options = { lineChannel: { column: 1, names: ['A', 'B'] }, channels: [{ column: 2 }] };
    expect(decode(options, 'A,1.5', 'B,2.5', 'C,3', 'A')).toEqual([value(1.5), value(2.5, 1), bad(), bad()]);
  });
  it('is told by a group of the pattern', () => {
    const options = { lineChannel: { names: ['1', '2'] }, pattern: '^T(?<channel>\\d)=(?<value>\\S+)$' };
    expect(decode(options, 'T2=-4.5', 'T1=1', 'T3=1')).toEqual([value(-4.5, 1), value(1), bad()]);
  });
});

describe('a pattern', () => {
  it('names value, unit and status', () => {
    const options = { pattern: '^M:(?<value>[-+0-9.]+) (?<unit>\\S+)(?: (?<status>\\w+))?$' };
    expect(decode(options, 'M:-12.5 Nm OL', ' M:1 Nm ', 'X')).toEqual([value(-12.5, 0, 'N.m', STATUS.overload), value(1, 0, 'N.m'), bad()]);
  });
  it('names several values, with a unit for all', () => {
    const options = { pattern: '^(?<value1>\\S+) (?<value2>\\S+) (?<unit>\\S+)$' };
    expect(decode(options, '1.5 -2.5 Nm')).toEqual([value(1.5, 0, 'N.m'), value(-2.5, 1, 'N.m')]);
  });
});

describe('the fast way', () => {
  const field = fc.oneof(
    fc.double({ noNaN: true, noDefaultInfinity: true, min: -1e6, max: 1e6 }).map((number) => number.toFixed(4)),
    fc.string({ unit: fc.constantFrom(...'0123456789+-. eE\tNmOL'), maxLength: 8 }),
  );
  it('gives what the slow way gives, for any columns and separator', () => {
    fc.assert(fc.property(fc.array(field, { minLength: 1, maxLength: 4 }), fc.constantFrom(',', ';', ' ', '\t'), (fields, separator) => {
      const line = fields.join(separator);
      const columns = { separator, channels: [{ column: 1 }, { column: 3 }] };
      // A status column far away changes nothing but that the line is taken apart as text.
      const slow = { ...columns, channels: columns.channels.map((channel) => ({ ...channel, statusColumn: 60 })) };
      expect(decode(columns, line)).toEqual(decode(slow, line));
    }), { numRuns: 2_000 });
  });

  it('reads every printed double that a torque can be as Number() does', () => {
    fc.assert(fc.property(fc.double({ noNaN: true, min: -LARGEST_VALUE, max: LARGEST_VALUE }), (number) => {
      expect(decode({}, String(number))).toEqual([value(Number(String(number)))]);
    }), { numRuns: 2_000 });
  });
});
