/**
 * Questions in Modbus: one register is read, nothing is ever written, nobody is addressed by broadcast. An answer with a
 * right CRC, or the header of Modbus TCP, proves the protocol, and an exception proves it as well.
 */
import { checksum } from '../../drivers/framing/checksum.ts';
import { exceptionText, mbapFrame, readRequest, rtuFrame, type ReadFunction } from '../../drivers/protocols/modbus/codec.ts';
import type { Conversation } from './conversation.ts';
import type { ModbusAnalysis, ModbusUnit } from './heard.ts';

/** Factory settings first. */
const FIRST_UNITS = { rtu: [1, 2, 247], tcp: [1, 255, 0] } as const;
/** Looked for when one has answered. */
const MORE_UNITS = Array.from({ length: 16 }, (_, i) => i + 1);
const ANSWER_MS = 250;
/** Characters of question and answer, by 11 bits each. */
const EXCHANGE_BITS = 20 * 11;
const ILLEGAL_FUNCTION = 1;
const crc = checksum('CRC-16/MODBUS');

export interface ModbusLine {
  readonly transport: 'rtu' | 'tcp';
  /** null: the link has none. */
  readonly baudRate: number | null;
  readonly parity: 'none' | 'even';
}

/** @returns null when no unit answered */
export async function askModbus(conversation: Conversation, line: ModbusLine): Promise<ModbusAnalysis | null> {
  const mostMs = ANSWER_MS + (line.baudRate === null ? 0 : (EXCHANGE_BITS * 1_000) / line.baudRate);
  const found: ModbusUnit[] = [];
  const heard: Uint8Array[] = [];
  const tried = new Set<number>();
  const look = async (units: readonly number[], isEnough: () => boolean): Promise<void> => {
    for (const unit of units) {
      if (isEnough() || conversation.isOver) return;
      if (tried.has(unit)) continue;
      tried.add(unit);
      const answer = await readOne(conversation, line.transport, unit, mostMs, heard);
      if (answer !== null) found.push(answer);
    }
  };
  await look(FIRST_UNITS[line.transport], () => found.length > 0);
  if (found.length === 0) return null;
  // On a serial bus there may be more; behind an address there is usually one.
  if (line.transport === 'rtu') {
    await look(MORE_UNITS, () => false);
    // An answer bears its unit, so that one which came while the next was asked counts too.
    const all = Uint8Array.from(Buffer.concat([...heard, (await conversation.listen(mostMs)).data]));
    for (const unit of tried) {
      const late = found.some((one) => one.unit === unit) ? 'none' : rtuAnswer(all, unit, 3);
      if (late !== 'none') found.push({ unit, function: 3, exception: late });
    }
  }
  found.sort((a, b) => a.unit - b.unit);
  return {
    kind: 'modbus', transport: line.transport, units: found, parity: line.parity, sureness: 0.6,
    example: found.map(textOf).join('; '),
    reasons: [
      ...found.map(textOf),
      line.transport === 'rtu' ? 'the CRC of every answer is right' : 'the answers have the header of Modbus TCP and the number of their question',
    ],
    doubts: [
      'which registers hold the torque, and as which type, only the manual says: address and type are placeholders',
      'the unit is not told and must be filled in',
      ...(line.transport === 'rtu' ? ['only units 1 to 16 and 247 were asked'] : []),
    ],
  };
}

async function readOne(conversation: Conversation, transport: 'rtu' | 'tcp', unit: number, mostMs: number, heard: Uint8Array[]): Promise<ModbusUnit | null> {
  for (const code of [3, 4] as const) {
    const exception = await exchange(conversation, transport, unit, code, mostMs, heard);
    if (exception === 'none') return null;
    if (exception !== ILLEGAL_FUNCTION) return { unit, function: code, exception };
  }
  return { unit, function: 3, exception: ILLEGAL_FUNCTION };
}

/** @returns null: register 0 was read; a number: the exception; 'none': no answer of that unit */
async function exchange(conversation: Conversation, transport: 'rtu' | 'tcp', unit: number, code: ReadFunction, mostMs: number, heard: Uint8Array[]): Promise<number | null | 'none'> {
  const { pdu } = readRequest(unit, code, 0, 1);
  const transaction = 256 * code + unit + 1;
  const { data } = await conversation.ask(transport === 'rtu' ? rtuFrame(unit, pdu) : mbapFrame(transaction, unit, pdu), mostMs);
  heard.push(data);
  return transport === 'rtu' ? rtuAnswer(data, unit, code) : tcpAnswer(data, transaction, unit, code);
}

/** An answer anywhere among the bytes: some adapters echo what is sent. */
export function rtuAnswer(data: Uint8Array, unit: number, code: ReadFunction): number | null | 'none' {
  for (let at = 0; at + 5 <= data.length; at++) {
    if (data[at] !== unit) continue;
    const isException = data[at + 1] === (code | 0x80);
    const length = isException ? 5 : data[at + 1] === code && data[at + 2] === 2 ? 7 : 0;
    if (length === 0 || at + length > data.length) continue;
    if (crc.compute(data, at, at + length - 2) === data[at + length - 2]! + 256 * data[at + length - 1]!) return isException ? data[at + 2]! : null;
  }
  return 'none';
}

export function tcpAnswer(data: Uint8Array, transaction: number, unit: number, code: ReadFunction): number | null | 'none' {
  const head = [transaction >> 8, transaction & 0xff, 0, 0, 0];
  if (data.length < 9 || !head.every((byte, i) => data[i] === byte) || data[6] !== unit) return 'none';
  if (data[7] === (code | 0x80) && data[5] === 3) return data[8]!;
  return data[7] === code && data[5] === 5 && data[8] === 2 && data.length >= 11 ? null : 'none';
}

function textOf({ unit, function: code, exception }: ModbusUnit): string {
  const what = code === 3 ? 'holding' : 'input';
  return exception === null ? `unit ${unit} gives ${what} register 0` : `unit ${unit} answers the reading of ${what} register 0 with ${exceptionText(exception)}`;
}
