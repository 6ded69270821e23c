import { describe, it } from 'vitest';
import { STATUS } from '../../shared/sample-block.ts';
import { AsciiLinesOptions } from '../../drivers/protocols/ascii-lines/options.ts';
import { asciiLines } from '../../drivers/protocols/ascii-lines/driver.ts';
import { modbusRtu, modbusTcp } from '../../drivers/protocols/modbus/driver.ts';
import { ModbusRtuOptions, ModbusTcpOptions } from '../../drivers/protocols/modbus/options.ts';
import { scpi } from '../../drivers/protocols/scpi/driver.ts';
import { ScpiOptions } from '../../drivers/protocols/scpi/options.ts';
import { describeDriver, type PolledVector } from '../../drivers/conformance/index.ts';

const poll = { rateHz: 10, timeoutMs: 40, quietMs: 40 };
const bytes = (text: string): Uint8Array => Buffer.from(text, 'latin1');
const text = (message: Uint8Array): string => Buffer.from(message).toString('latin1');
const hex = (digits: string): Uint8Array => Buffer.from(digits.replace(/ /g, ''), 'hex');
const vector = (line: string, ...values: (string | null)[]): PolledVector => ({ answer: () => bytes(line), values });

describe('scpi, two values in an answer', () => {
  describeDriver({
    driver: scpi, options: ScpiOptions.parse({ poll, queries: [{ text: 'READ?', values: [1, 2] }], commands: { zero: 'SENS:ZERO', stop: 'ABOR' } }), wrongOptions: { poll: { rateHz: -1 } },
    stopCommand: bytes('ABOR\n'), identity: { maker: 'HF', model: 'A2', serialNumber: '7', firmware: '1' },
    isPoll: (message) => text(message) === 'READ?\n', startPolls: 0,
    other: (message) => ({ '*IDN?\n': bytes('HF,A2,7,1\n'), 'SYST:ERR?\n': bytes('0,"No error"\n') })[text(message)] ?? null,
    vectors: [
      vector('+1.250000E+01,-3\n', '12.5', '-3'), vector('-0.0625,0\r\n', '-0.0625', '0'), vector('9.91E37,+7.\n', null, '7'), vector('-9.9E+37,.5\n', null, '0.5'), vector('1e-7,123456.789\n', '1e-7', '123456.789'),
    ],
    bad: () => bytes('?#!\n'),
    command: { command: { kind: 'zero' }, isWritten: (message) => text(message) === 'SENS:ZERO\n' },
  }, { describe, it });
});

describe('ascii-lines, asked', () => {
  describeDriver({
    driver: asciiLines, options: AsciiLinesOptions.parse({ poll: { ...poll, request: 'M' }, commands: { start: 'GO', stop: 'HALT' } }), startCommand: bytes('GO\r\n'), stopCommand: bytes('HALT\r\n'), identity: null, wrongOptions: { poll: { request: 'M' } },
    isPoll: (message) => text(message) === 'M\r\n', startPolls: 1, other: () => null,
    vectors: [vector('-12.3456\n', '-12.3456'), { ...vector('0.0000 Nm\r\n', '0'), units: ['N.m'] }, vector('OL\n', null), { ...vector('3 cNm UNSTABLE\n', '3'), units: ['cN.m'], status: [STATUS.unstable] }, vector('+1234567.8901234\n', '1234567.8901234')],
    bad: () => bytes('?#!\n'),
    command: { command: { kind: 'send', text: 'TARE' }, isWritten: (message) => text(message) === 'TARE\r\n' },
  }, { describe, it });
});

// Serial frames written out by hand; their CRCs are those that `crc16` of the library modbus-serial gives.
describe('modbus-rtu, a float', () => {
  const rtu = (digits: string, value: string | null): PolledVector => ({ answer: () => hex(digits), values: [value] });
  describeDriver({
    driver: modbusRtu, options: ModbusRtuOptions.parse({ poll, channels: [{ address: 0, type: 'f32' }], commands: { zero: { address: 9, values: [1] }, start: { address: 8, values: [1] }, stop: { address: 8, values: [0] } } }), wrongOptions: { poll, channels: [{ address: 70_000, type: 'f32' }] },
    startCommand: hex('01 06 00 08 00 01 C9 C8'), stopCommand: hex('01 06 00 08 00 00 08 08'),
    isPoll: (message) => message[1] === 3, startPolls: 1, other: (message) => message,
    vectors: [rtu('01 03 04 42 C8 00 00 6F B5', '100'), rtu('01 03 04 C1 48 00 00 47 D9', '-12.5'), rtu('01 03 04 7F C0 00 00 E3 DB', null), rtu('01 83 02 C0 F1', null)],
    bad: () => hex('01 03 04 42 C8 00 00 6F B6'),
    command: { command: { kind: 'zero' }, isWritten: (message) => Buffer.compare(message.subarray(0, 6), hex('01 06 00 09 00 01')) === 0 },
  }, { describe, it });
});

describe('modbus-tcp, two integers', () => {
  const tcp = (digits: string, ...values: (string | null)[]): PolledVector => ({ answer: (message) => Buffer.concat([message.subarray(0, 2), hex(digits)]), values });
  describeDriver({
    driver: modbusTcp,
    options: ModbusTcpOptions.parse({ poll, channels: [{ address: 0, type: 'i16', scale: 0.5 }, { address: 1, type: 'u32', order: 'CDAB' }], commands: { zero: { address: 9, values: [1] } } }),
    wrongOptions: { poll, channels: [{ address: 0, type: 'i16', unit: 256 }] },
    isPoll: (message) => message[7] === 3, startPolls: 1, other: (message) => message,
    vectors: [tcp('00 00 00 09 01 03 06 FF FE 00 02 00 01', '-1', '65538'), tcp('00 00 00 09 01 03 06 00 03 FF FF FF FF', '1.5', '4294967295'), tcp('00 00 00 03 01 83 06', null, null)],
    bad: (message) => Buffer.concat([message.subarray(0, 2), hex('00 00 00 05 01 03 02 00 01')]),
    command: { command: { kind: 'zero' }, isWritten: (message) => Buffer.compare(message.subarray(2), hex('00 00 00 06 01 06 00 09 00 01')) === 0 },
  }, { describe, it });
});
