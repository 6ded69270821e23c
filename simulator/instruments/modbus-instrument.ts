/** Virtual Modbus instruments on one port: units that answer requests of functions 3, 4, 6 and 16 (Modbus Application Protocol V1.1b3). */
import { AnswerLine } from './answer-line.ts';
import { crcOf } from './checksums.ts';
import { registerBytes, registersOf, type ModbusFormat } from './modbus-format.ts';
import { RunningConverter } from './running-converter.ts';
import type { InstrumentCounters, InstrumentParts, VirtualInstrument } from './virtual-instrument.ts';

export interface ModbusInstrumentOptions extends InstrumentParts {
  readonly format: ModbusFormat;
}

interface Request {
  readonly unit: number;
  readonly pdu: Uint8Array;
  /** Of Modbus TCP. */
  readonly transaction: number;
}

const MAX_HEARD_BYTES = 1_024;
const ILLEGAL_FUNCTION = 1;
const ILLEGAL_ADDRESS = 2;
const ILLEGAL_VALUE = 3;
const READ_MOST = 125;
const WRITE_MOST = 123;

export class ModbusInstrument implements VirtualInstrument {
  readonly #options: ModbusInstrumentOptions;
  readonly #converter: RunningConverter;
  readonly #line: AnswerLine;
  readonly #units: ReadonlySet<number>;
  #heard = new Uint8Array(0);
  #isOn = false;
  #commands = 0;

  constructor(options: ModbusInstrumentOptions) {
    this.#options = options;
    this.#converter = new RunningConverter(options);
    this.#line = new AnswerLine(options.port, options.clock, options.format.answerMs);
    this.#units = new Set(options.format.registers.map((place) => place.unit));
    options.port.onData((bytes) => this.#hear(bytes));
  }

  get counters(): InstrumentCounters {
    return { messages: this.#line.sent, lateSamples: this.#converter.lateSamples, commands: this.#commands };
  }

  switchOn(): void {
    this.switchOff();
    this.#isOn = true;
    this.#converter.start();
  }

  switchOff(): void {
    this.#isOn = false;
    this.#heard = new Uint8Array(0);
    this.#line.drop();
  }

  #hear(bytes: Uint8Array): void {
    if (!this.#isOn) return;
    this.#heard = Uint8Array.from([...this.#heard, ...bytes]).slice(-MAX_HEARD_BYTES);
    for (let found = this.#cut(); found !== null; found = this.#cut()) this.#serve(found);
  }

  /** Takes the next whole request off what was heard; bytes that begin none are passed over. */
  #cut(): Request | null {
    const isRtu = this.#options.format.transport === 'rtu';
    for (let at = 0; at < this.#heard.length; at++) {
      const rest = this.#heard.subarray(at);
      const length = isRtu ? rtuLength(rest) : tcpLength(rest);
      if (length === 'more') {
        this.#heard = rest.slice();
        return null;
      }
      if (length === 'none') continue;
      const frame = rest.slice(0, length);
      if (isRtu && crcOf('CRC-16/MODBUS', frame.subarray(0, length - 2)) !== frame[length - 2]! + 256 * frame[length - 1]!) continue;
      this.#heard = rest.slice(length);
      return isRtu
        ? { unit: frame[0]!, pdu: frame.slice(1, -2), transaction: 0 }
        : { unit: frame[6]!, pdu: frame.slice(7), transaction: 256 * frame[0]! + frame[1]! };
    }
    this.#heard = new Uint8Array(0);
    return null;
  }

  #serve(request: Request): void {
    const isBroadcast = request.unit === 0 && this.#options.format.transport === 'rtu';
    if (!isBroadcast && !this.#units.has(request.unit)) return; // somebody else's
    this.#commands++;
    const answer = this.#answer(request);
    if (isBroadcast) return;
    if (this.#options.format.transport === 'rtu') {
      const body = Uint8Array.of(request.unit, ...answer);
      const crc = crcOf('CRC-16/MODBUS', body);
      this.#line.send(Uint8Array.of(...body, crc & 0xff, crc >> 8));
    } else {
      const { transaction } = request;
      this.#line.send(Uint8Array.of(transaction >> 8, transaction & 0xff, 0, 0, (answer.length + 1) >> 8, (answer.length + 1) & 0xff, request.unit, ...answer));
    }
  }

  #answer({ unit, pdu }: Request): Uint8Array {
    const code = pdu[0]!;
    const refuse = (exception: number): Uint8Array => Uint8Array.of(code | 0x80, exception);
    const word = (at: number): number => 256 * (pdu[at] ?? 0) + (pdu[at + 1] ?? 0);
    switch (code) {
      case 3:
      case 4: {
        const [first, count] = [word(1), word(3)];
        if (pdu.length !== 5 || count < 1 || count > READ_MOST) return refuse(ILLEGAL_VALUE);
        const bytes = this.#read(unit, code === 3 ? 'holding' : 'input', first, count);
        return bytes === null ? refuse(ILLEGAL_ADDRESS) : Uint8Array.of(code, bytes.length, ...bytes);
      }
      case 6:
        if (pdu.length !== 5) return refuse(ILLEGAL_VALUE);
        return this.#writeTo(unit, word(1), [word(3)]) ? pdu : refuse(ILLEGAL_ADDRESS);
      case 16: {
        const count = word(3);
        if (count < 1 || count > WRITE_MOST || pdu[5] !== 2 * count || pdu.length !== 6 + 2 * count) return refuse(ILLEGAL_VALUE);
        const values = Array.from({ length: count }, (_, i) => word(6 + 2 * i));
        return this.#writeTo(unit, word(1), values) ? pdu.slice(0, 5) : refuse(ILLEGAL_ADDRESS);
      }
      default:
        return refuse(ILLEGAL_FUNCTION);
    }
  }

  /** Null when one of the registers does not exist. All of one answer is of the same sample. */
  #read(unit: number, kind: 'holding' | 'input', first: number, count: number): Uint8Array | null {
    const { format, channels } = this.#options;
    const { values } = this.#converter.newest();
    const bytes = new Uint8Array(2 * count);
    const isThere = new Array<boolean>(count).fill(false);
    format.registers.forEach((place, channel) => {
      if (place.unit !== unit || place.kind !== kind) return;
      const own = registerBytes(values[channel]!, place, channels[channel]!.source.isSaturated);
      for (let i = 0; i < registersOf(place.type); i++) {
        const at = place.address + i - first;
        if (at < 0 || at >= count) continue;
        bytes.set(own.subarray(2 * i, 2 * i + 2), 2 * at);
        isThere[at] = true;
      }
    });
    return isThere.every(Boolean) ? bytes : null;
  }

  #writeTo(unit: number, address: number, values: readonly number[]): boolean {
    const { zero } = this.#options.format;
    if (zero === null || (unit !== 0 && zero.unit !== unit) || zero.address !== address || values.length !== 1) return false;
    if (values[0] === 1) for (const { source } of this.#options.channels) source.zero();
    return true;
  }
}

/** Length of the request that may begin here, by its function; every function but 16 that is known, and most that are not, has 8 bytes. */
function rtuLength(bytes: Uint8Array): number | 'more' | 'none' {
  if (bytes[0]! > 247) return 'none';
  const length = bytes[1] === 16 ? (bytes.length < 7 ? Infinity : 9 + bytes[6]!) : 8;
  return bytes.length < length ? 'more' : length;
}

function tcpLength(bytes: Uint8Array): number | 'more' | 'none' {
  if ((bytes.length > 2 && bytes[2] !== 0) || (bytes.length > 3 && bytes[3] !== 0)) return 'none';
  if (bytes.length < 6) return 'more';
  const announced = 256 * bytes[4]! + bytes[5]!;
  if (announced < 2 || announced > 254) return 'none';
  return bytes.length < 6 + announced ? 'more' : 6 + announced;
}
