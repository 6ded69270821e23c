/** Modbus requests to bytes, answers to registers (MODBUS Application Protocol V1.1b3). Pure. */
import { checksum } from '../../framing/checksum.ts';

/** Reads holding or input registers. */
export type ReadFunction = 3 | 4;
/** Writes one register, or several. */
export type WriteFunction = 6 | 16;

/** Most registers of one read and of one write. */
export const READ_MAX = 125;
export const WRITE_MAX = 123;

/** What goes to a unit, and what its answer looks like. */
export interface Request {
  readonly unit: number;
  readonly function: ReadFunction | WriteFunction;
  /** Function code and data. */
  readonly pdu: Uint8Array;
  /** Length of the answer's function code and data, unless it is an exception. */
  readonly answerBytes: number;
  /** For messages. */
  readonly name: string;
}

export interface Answer {
  /** Null: no exception. */
  readonly exception: number | null;
  /** Function code and data. */
  readonly pdu: Uint8Array;
}

const EXCEPTIONS: Readonly<Record<number, string>> = {
  1: 'illegal function', 2: 'illegal data address', 3: 'illegal data value', 4: 'device failure', 5: 'acknowledged, not done yet', 6: 'device busy',
  8: 'memory parity error', 10: 'gateway path unavailable', 11: 'gateway target did not answer',
};

export function exceptionText(code: number): string {
  return `exception ${code}, ${EXCEPTIONS[code] ?? 'not one of the standard'}`;
}

/** @throws RangeError when more than READ_MAX registers are asked for, or some beyond 65535 */
export function readRequest(unit: number, code: ReadFunction, address: number, count: number): Request {
  if (count < 1 || count > READ_MAX || address < 0 || address + count > 65_536) throw new RangeError(`${count} registers from ${address}`);
  const what = code === 3 ? 'holding' : 'input';
  return {
    unit, function: code, pdu: Uint8Array.of(code, ...word(address), ...word(count)), answerBytes: 2 + 2 * count,
    name: `${what} registers ${address} to ${address + count - 1} of unit ${unit}`,
  };
}

/** @param values one for function 6, 1 to WRITE_MAX for function 16; each 0 to 65535 */
export function writeRequest(unit: number, code: WriteFunction, address: number, values: readonly number[]): Request {
  if (values.length < 1 || values.length > (code === 6 ? 1 : WRITE_MAX) || address < 0 || address + values.length > 65_536) throw new RangeError(`${values.length} registers from ${address}`);
  const registers = values.flatMap(word);
  const head = code === 6 ? [] : [...word(values.length), registers.length];
  return { unit, function: code, pdu: Uint8Array.of(code, ...word(address), ...head, ...registers), answerBytes: 5, name: `writing register ${address} of unit ${unit}` };
}

/** Whether an answer to a write repeats what was written. */
export function confirmsWrite(request: Request, answer: Answer): boolean {
  return answer.exception === null && answer.pdu.length === 5 && answer.pdu.every((byte, i) => byte === request.pdu[i]);
}

const modbusCrc = checksum('CRC-16/MODBUS');

/** Serial: unit, function and data, CRC with the low byte first. */
export function rtuFrame(unit: number, pdu: Uint8Array): Uint8Array {
  const frame = new Uint8Array(pdu.length + 3);
  frame[0] = unit;
  frame.set(pdu, 1);
  const crc = modbusCrc.compute(frame, 0, pdu.length + 1);
  frame[pdu.length + 1] = crc & 0xff;
  frame[pdu.length + 2] = crc >>> 8;
  return frame;
}

/** TCP: transaction, protocol 0, length, unit, then function and data. */
export function mbapFrame(transaction: number, unit: number, pdu: Uint8Array): Uint8Array {
  return Uint8Array.of(...word(transaction), 0, 0, ...word(pdu.length + 1), unit, ...pdu);
}

/** What stands at `at`: nothing that begins an answer, the beginning of one, a damaged one, or a whole one. */
export type Candidate =
  | { readonly kind: 'none' | 'begun' | 'damaged' }
  | { readonly kind: 'whole'; readonly answer: Answer; readonly end: number };

/** Looks at the bytes from `at` to `end` for the answer to the request. */
export type LookForAnswer = (bytes: Uint8Array, at: number, end: number, request: Request, transaction: number) => Candidate;

export const lookForRtuAnswer: LookForAnswer = (bytes, at, end, request) => {
  const head = matchHead(bytes, at, end, request);
  if (head === null) return { kind: 'none' };
  if (head === 'begun') return { kind: 'begun' };
  const last = at + 1 + head.bytes + 2;
  if (last > end) return { kind: 'begun' };
  const crc = bytes[last - 2]! | (bytes[last - 1]! << 8);
  if (modbusCrc.compute(bytes, at, last - 2) !== crc) return { kind: 'damaged' };
  return { kind: 'whole', answer: answerOf(bytes, at + 1, head), end: last };
};

export const lookForMbapAnswer: LookForAnswer = (bytes, at, end, request, transaction) => {
  const expected = [transaction >>> 8, transaction & 0xff, 0, 0];
  for (let i = 0; i < expected.length && at + i < end; i++) if (bytes[at + i] !== expected[i]) return { kind: 'none' };
  if (at + 6 > end) return { kind: 'begun' };
  const head = matchHead(bytes, at + 6, end, request);
  if (head === null) return { kind: 'none' };
  if (head === 'begun') return { kind: 'begun' };
  if (((bytes[at + 4]! << 8) | bytes[at + 5]!) !== head.bytes + 1) return { kind: 'none' };
  const last = at + 7 + head.bytes;
  return last > end ? { kind: 'begun' } : { kind: 'whole', answer: answerOf(bytes, at + 7, head), end: last };
};

interface Head {
  /** Of function code and data. */
  readonly bytes: number;
  readonly isException: boolean;
}

/** Unit, function and length, as far as they have come. */
function matchHead(bytes: Uint8Array, at: number, end: number, request: Request): Head | 'begun' | null {
  if (at >= end) return 'begun';
  if (bytes[at] !== request.unit) return null;
  if (at + 1 >= end) return 'begun';
  const code = bytes[at + 1]!;
  if (code === (request.function | 0x80)) return { bytes: 2, isException: true };
  if (code !== request.function) return null;
  const isRead = request.function === 3 || request.function === 4;
  if (isRead && at + 2 >= end) return 'begun';
  return isRead && bytes[at + 2] !== request.answerBytes - 2 ? null : { bytes: request.answerBytes, isException: false };
}

function answerOf(bytes: Uint8Array, at: number, head: Head): Answer {
  const pdu = bytes.slice(at, at + head.bytes);
  return { exception: head.isException ? pdu[1]! : null, pdu };
}

function word(value: number): [number, number] {
  return [(value >>> 8) & 0xff, value & 0xff];
}
