import { describe, it } from 'vitest';
import { checksum } from '../../drivers/framing/checksum.ts';
import { asciiLines } from '../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../drivers/protocols/ascii-lines/options.ts';
import { framedBinary } from '../../drivers/protocols/framed-binary/driver.ts';
import { FramedBinaryOptions } from '../../drivers/protocols/framed-binary/options.ts';
import { rawCounts } from '../../drivers/protocols/raw-counts/driver.ts';
import { RawCountsOptions } from '../../drivers/protocols/raw-counts/options.ts';
import { encodeCobs } from '../helpers/frame-encoders.ts';
import { STATUS } from '../../shared/sample-block.ts';
import { describeDriver } from '../../drivers/conformance/index.ts';

const bytes = (text: string): Uint8Array => Buffer.from(text, 'latin1');

describe('ascii-lines, one number a line', () => {
  describeDriver({
    driver: asciiLines, options: AsciiLinesOptions.parse({}), wrongOptions: { delimiter: '' }, identity: null,
    resync: bytes('\n'), bad: bytes('?#!\n'),
    vectors: [
      { bytes: bytes('-12.3456\n'), values: ['-12.3456'] },
      { bytes: bytes('0.0000\r\n'), values: ['0'] },
      { bytes: bytes('+1234567.8901234\n'), values: ['1234567.8901234'] },
      { bytes: bytes('nan\n'), values: [null] },
      { bytes: bytes('1e-7\n'), values: ['1e-7'] },
      { bytes: bytes('OL\n'), values: [null] },
      { bytes: bytes('7 Nm\n'), values: ['7'], units: ['N.m'], status: [0] },
      { bytes: bytes('UNSTABLE 8.5 kgf.cm\n'), values: ['8.5'], units: ['kgf.cm'], status: [STATUS.unstable] },
      { bytes: bytes('9.25\n'), values: ['9.25'], units: [null], status: [0] },
    ],
    command: { command: { kind: 'send', text: 'TARE' }, isWritten: (message) => Buffer.from(message).toString() === 'TARE\r\n' },
  }, { describe, it });
});

describe('ascii-lines, two channels in columns with decimal commas', () => {
  describeDriver({
    driver: asciiLines,
    options: AsciiLinesOptions.parse({ separator: ';', decimal: 'comma', channels: [{ column: 2, unitColumn: 3 }, { column: 4 }], sign: { negative: ['L'] }, commands: { zero: 'Z', ending: '\r' } }),
    wrongOptions: { decimal: 'comma', separator: ',' }, identity: null,
    resync: bytes('\n'), bad: bytes('garbage\n'),
    vectors: [
      { bytes: bytes('17;1,5;Nm;-2,25\n'), values: ['1.5', '-2.25'], units: ['N.m', null] },
      { bytes: bytes('18;OL;Nm;3\n'), values: [null, '3'] },
      { bytes: bytes('19;4,125 L;Nm;\n'), values: ['-4.125', null] },
    ],
    command: { command: { kind: 'zero' }, isWritten: (message) => Buffer.from(message).toString() === 'Z\r' },
  }, { describe, it });
});

describe('ascii-lines, asked who it is and told to start', () => {
  describeDriver({
    driver: asciiLines,
    options: AsciiLinesOptions.parse({ ignore: '^$', commands: { identify: { send: 'ID', timeoutMs: 50, tries: 2 }, start: 'GO', stop: 'HALT', zero: 'Z' } }),
    wrongOptions: { commands: { identify: { send: 'ID', answer: '(' } } },
    answer: (message) => (Buffer.from(message).toString() === 'ID\r\n' ? bytes('Hollin & Fenn,HF-L1,0007,1.0\n') : null),
    resync: bytes('\n'), bad: bytes('?#!\n'),
    startCommand: bytes('GO\r\n'), stopCommand: bytes('HALT\r\n'), identity: { maker: 'Hollin & Fenn', model: 'HF-L1', serialNumber: '0007', firmware: '1.0' },
    vectors: [{ bytes: bytes('12.5\n'), values: ['12.5'] }, { bytes: bytes('-0.25 cNm\n'), values: ['-0.25'], units: ['cN.m'] }],
    command: { command: { kind: 'zero' }, isWritten: (message) => Buffer.from(message).toString() === 'Z\r\n' },
  }, { describe, it });
});

describe('framed-binary, sync bytes and a CRC', () => {
  const crc = checksum('CRC-16/MODBUS');
  const frame = (hex: string): Uint8Array => {
    const body = Buffer.from(`a55a${hex.replace(/ /g, '')}`, 'hex');
    const value = crc.compute(body, 0, body.length);
    return Buffer.concat([body, Uint8Array.of(value & 0xff, value >>> 8)]);
  };
  const bad = Buffer.from(frame('000000 000000 00'));
  bad[5]! ^= 1;
  describeDriver({
    driver: framedBinary,
    options: FramedBinaryOptions.parse({
      framing: { kind: 'sync', bytes: 'a5 5a', length: 11 }, byteOrder: 'little', checksum: { name: 'CRC-16/MODBUS' },
      channels: [{ at: 2, type: 'i24', scale: 0.0001, overloadAbove: 8_388_607 }, { at: 5, type: 'i24', scale: -0.5, offset: 3 }], status: { at: 8, overload: [0] },
    }),
    wrongOptions: { framing: { kind: 'sync', bytes: 'a5 5a', length: 11 }, channels: [] },
    resync: new Uint8Array(0), bad,
    vectors: [
      { bytes: frame('40e201 000000 00'), values: ['12.3456', '3'] },
      { bytes: frame('ffffff 0a0000 01'), values: ['-0.0001', '-2'] },
      { bytes: frame('ffff7f f6ffff 00'), values: [null, '8'] },
      { bytes: frame('000080 a55a00 00'), values: ['-838.8608', '-11599.5'] },
    ],
    command: { command: { kind: 'send', text: 'a5 01' }, isWritten: (message) => Buffer.from(message).toString('hex') === 'a501' },
  }, { describe, it });
});

describe('framed-binary, COBS and floats', () => {
  const frame = (hex: string): Uint8Array => encodeCobs(Buffer.from(hex.replace(/ /g, ''), 'hex'));
  describeDriver({
    driver: framedBinary,
    options: FramedBinaryOptions.parse({ framing: { kind: 'cobs', maxBytes: 16 }, channels: [{ at: 1, type: 'f32' }] }),
    wrongOptions: { framing: { kind: 'cobs' }, channels: [{ at: 1, type: 'float' }] },
    resync: Uint8Array.of(0), bad: frame('01 02'),
    vectors: [
      { bytes: frame('01 42c80000'), values: ['100'] },
      { bytes: frame('02 c1480000'), values: ['-12.5'] },
      { bytes: frame('03 7fc00000'), values: [null] },
      { bytes: frame('04 3f800000'), values: ['1'], status: [0] },
    ],
    command: { command: { kind: 'send', text: 'a5 01' }, isWritten: (message) => Buffer.from(message).toString('hex') === 'a501' },
  }, { describe, it });
});

describe('raw-counts, 24 bits over COBS with a CRC', () => {
  const crc = checksum('CRC-16/KERMIT');
  const sealed = (hex: string): Buffer => {
    const body = Buffer.from(hex.replace(/ /g, ''), 'hex');
    const value = crc.compute(body, 0, body.length);
    return Buffer.concat([body, Uint8Array.of(value >>> 8, value & 0xff)]);
  };
  describeDriver({
    driver: rawCounts, options: RawCountsOptions.parse({ framing: 'cobs', channels: 2, checksum: 'CRC-16/KERMIT', commands: { start: 'a5 10', stop: 'a5 11' } }),
    startCommand: Uint8Array.of(0xa5, 0x10), stopCommand: Uint8Array.of(0xa5, 0x11),
    wrongOptions: { framing: 'sync' },
    resync: Uint8Array.of(0), bad: encodeCobs(Buffer.from('0102030405060708', 'hex')),
    vectors: [
      { bytes: encodeCobs(sealed('000100 ffff00')), values: ['256', '-256'] },
      { bytes: encodeCobs(sealed('7fffff 000000')), values: [null, '0'] },
      { bytes: encodeCobs(sealed('800001 7ffffe')), values: ['-8388607', '8388606'], units: [null, null] },
    ],
    command: { command: { kind: 'send', text: 'a5 01' }, isWritten: (message) => Buffer.from(message).toString('hex') === 'a501' },
  }, { describe, it });
});
