import { describe, it } from 'vitest';
import { asciiLines } from '../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../drivers/protocols/ascii-lines/options.ts';
import { registerClauses } from './clause.ts';
import { driverClauses } from './driver-clauses.ts';

const bytes = (text: string): Uint8Array => Buffer.from(text, 'latin1');

describe('ascii-lines, one number a line', () => {
  registerClauses(driverClauses({
    driver: asciiLines, options: AsciiLinesOptions.parse({}), wrongOptions: { delimiter: '' },
    resync: bytes('\n'), bad: bytes('?#!\n'),
    vectors: [
      { bytes: bytes('-12.3456\n'), values: ['-12.3456'] },
      { bytes: bytes('0.0000\r\n'), values: ['0'] },
      { bytes: bytes('+1234567.8901234\n'), values: ['1234567.8901234'] },
      { bytes: bytes('nan\n'), values: [null] },
      { bytes: bytes('1e-7\n'), values: ['1e-7'] },
      { bytes: bytes('OL\n'), values: [null] },
      { bytes: bytes('7 Nm\n'), values: ['7'] },
    ],
  }), it);
});

describe('ascii-lines, two channels in columns with decimal commas', () => {
  registerClauses(driverClauses({
    driver: asciiLines,
    options: AsciiLinesOptions.parse({ separator: ';', decimal: 'comma', channels: [{ column: 2, unitColumn: 3 }, { column: 4 }], sign: { negative: ['L'] } }),
    wrongOptions: { decimal: 'comma', separator: ',' },
    resync: bytes('\n'), bad: bytes('garbage\n'),
    vectors: [
      { bytes: bytes('17;1,5;Nm;-2,25\n'), values: ['1.5', '-2.25'] },
      { bytes: bytes('18;OL;Nm;3\n'), values: [null, '3'] },
      { bytes: bytes('19;4,125 L;Nm;\n'), values: ['-4.125', null] },
    ],
  }), it);
});
