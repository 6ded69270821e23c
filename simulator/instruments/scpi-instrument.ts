/** A virtual instrument that speaks IEEE 488.2 and SCPI-99 over a port: it says nothing unless asked. */
import * as z from 'zod';
import { AnswerLine } from './answer-line.ts';
import { InputSelector, type SelectorPlan } from './input-selector.ts';
import { RunningConverter } from './running-converter.ts';
import type { InstrumentCounters, InstrumentParts, VirtualInstrument } from './virtual-instrument.ts';

export const ScpiFormat = z.strictObject({
  identity: z.string().max(72).default('Hollin & Fenn,HF torque indicator,0,0').describe('Answer to *IDN?.'),
  digits: z.number().int().min(1).max(15).default(8).describe('Significant digits of the values, written with an exponent (NR3).'),
  terminator: z.string().min(1).max(4).default('\n').describe('Ends an answer; a line feed always ends a message.'),
  answerMs: z.number().min(0).max(60_000).default(0).describe('Time that each answer takes.'),
  warmUpS: z.number().min(0).max(3_600).default(0).describe('After switch-on there is no value yet: 9.91E37.'),
});
export type ScpiFormat = z.infer<typeof ScpiFormat>;

export interface ScpiInstrumentOptions extends InstrumentParts {
  readonly format: ScpiFormat;
  /** One converter for all channels: only one of them is read at a time. */
  readonly selector?: SelectorPlan | undefined;
  /** Memory image of the first channel's transducer. */
  readonly dataSheet?: Uint8Array;
}

/** A query of this instrument's own: the transducer's data sheet as a string. */
const TEDS_QUERY = 'DIAGnostic:TEDS?';
const MAX_MESSAGE_BYTES = 1_024;
const QUEUE_ENTRIES = 20;
const NOT_A_NUMBER = '9.91E+37';
const INFINITE = '9.9E+37';

const ERROR_TEXTS = {
  [-113]: 'Undefined header', [-222]: 'Data out of range', [-223]: 'Too much data', [-230]: 'Data corrupt or stale', [-350]: 'Queue overflow', [-410]: 'Query INTERRUPTED',
} as const;
type ErrorNumber = keyof typeof ERROR_TEXTS;
/** Bits of the standard event status register (IEEE 488.2, 11.5.1). */
const EVENT_BITS: Readonly<Record<ErrorNumber, number>> = { [-113]: 32, [-222]: 16, [-223]: 16, [-230]: 16, [-350]: 8, [-410]: 4 };

export class ScpiInstrument implements VirtualInstrument {
  readonly #options: ScpiInstrumentOptions;
  readonly #converter: RunningConverter;
  readonly #line: AnswerLine;
  readonly #selector: InputSelector | null;
  /** Headers by their long form with the letters of the short form in capitals, and what each does; a text is an answer. */
  readonly #headers: readonly { readonly pattern: RegExp; readonly act: (number: number) => string | null }[];
  #errors: ErrorNumber[] = [];
  #events = 0;
  #last: string | null = null;
  #heard = '';
  #isTooLong = false;
  #isOn = false;
  #onSinceMs = 0;
  #commands = 0;

  constructor(options: ScpiInstrumentOptions) {
    this.#options = options;
    this.#converter = new RunningConverter(options);
    this.#line = new AnswerLine(options.port, options.clock, options.format.answerMs);
    const selector = options.selector ? new InputSelector(options.clock, options.channels.length, options.selector.settleMs) : null;
    this.#selector = selector;
    const nothing = (act: () => void) => (): null => {
      act();
      return null;
    };
    const read = (): string => (this.#last = this.#acquire());
    const known: [string, (number: number) => string | null][] = [
      ['*IDN?', () => options.format.identity],
      ['*RST', nothing(() => { this.#last = null; })],
      ['*CLS', nothing(() => { this.#errors = []; this.#events = 0; })],
      ['*ESR?', () => this.#takeEvents()],
      ['*STB?', () => String(this.#errors.length > 0 ? 4 : 0)],
      ['*TST?', () => '0'],
      ['*OPC?', () => '1'],
      ['*OPC', nothing(() => { this.#events |= 1; })],
      ['*WAI', nothing(() => {})],
      ['*TRG', nothing(read)],
      ['INITiate[:IMMediate]', nothing(read)],
      ['READ?', read],
      ['FETCh?', () => this.#last ?? this.#fail(-230)],
      ['MEASure[:TORQue]?', read],
      ['CALibration:ZERO', nothing(() => options.channels.forEach(({ source }) => source.zero()))],
      ['SYSTem:ERRor[:NEXT]?', () => this.#takeError()],
      ['SYSTem:VERSion?', () => '1999.0'],
      ...(selector === null ? [] : [
        ['ROUTe:SELect?', () => String(selector.selected)],
        ['ROUTe:SELect #', (number) => (selector.select(number) ? null : this.#fail(-222))],
      ] as [string, (number: number) => string | null][]),
      ...(options.dataSheet === undefined ? [] : [[TEDS_QUERY, () => `"${Buffer.from(options.dataSheet!).toString('hex').toUpperCase()}"`] as [string, () => string]]),
    ];
    this.#headers = known.map(([header, act]) => ({ pattern: headerPattern(header), act }));
    options.port.onData((bytes) => this.#hear(bytes));
  }

  get counters(): InstrumentCounters {
    return { messages: this.#line.sent, lateSamples: this.#converter.lateSamples, commands: this.#commands };
  }

  switchOn(): void {
    this.switchOff();
    this.#isOn = true;
    this.#selector?.reset();
    this.#onSinceMs = this.#options.clock.monoMs();
    this.#converter.start();
    this.#errors = [];
    this.#events = 128; // power on
    this.#last = null;
  }

  switchOff(): void {
    this.#isOn = false;
    this.#heard = '';
    this.#isTooLong = false;
    this.#line.drop();
  }

  #hear(bytes: Uint8Array): void {
    if (!this.#isOn) return;
    for (const byte of bytes) {
      if (byte !== 0x0a) {
        if (this.#heard.length < MAX_MESSAGE_BYTES) this.#heard += String.fromCharCode(byte);
        else this.#isTooLong = true;
        continue;
      }
      const message = this.#heard;
      const isTooLong = this.#isTooLong;
      this.#heard = '';
      this.#isTooLong = false;
      if (isTooLong) this.#fail(-223);
      else this.#obey(message);
    }
  }

  /** Units of a message are separated by semicolons, and so are the answers to its queries (IEEE 488.2, 7 and 8). */
  #obey(message: string): void {
    if (message.trim() === '') return;
    if (this.#line.isWaiting) {
      this.#line.drop();
      this.#fail(-410);
    }
    const answers: string[] = [];
    for (const unit of message.split(';')) {
      const text = unit.trim();
      if (text === '') continue;
      this.#commands++;
      const found = this.#headers.find((header) => header.pattern.test(text));
      const answer = found ? found.act(Number(/ +(\d{1,4})$/.exec(text)?.[1] ?? 0)) : this.#fail(-113);
      if (answer !== null) answers.push(answer);
    }
    if (answers.length > 0) this.#line.send(Buffer.from(answers.join(';') + this.#options.format.terminator, 'latin1'));
  }

  #acquire(): string {
    const { clock, channels, format } = this.#options;
    const { values } = this.#converter.newest();
    const isCold = clock.monoMs() - this.#onSinceMs < format.warmUpS * 1_000;
    const shown = this.#selector?.shown ?? null;
    return channels.flatMap(({ source }, i) => {
      if (shown !== null && i !== shown) return [];
      const value = values[i]!;
      if (isCold) return NOT_A_NUMBER;
      if (source.isSaturated) return `${value < 0 ? '-' : ''}${INFINITE}`;
      return scientific(value, format.digits);
    }).join(',');
  }

  /** The queue is first in, first out; when it is full its last entry says so (SCPI-99, 21.8). */
  #fail(number: ErrorNumber): null {
    if (this.#errors.length < QUEUE_ENTRIES) this.#errors.push(number);
    else this.#errors[QUEUE_ENTRIES - 1] = -350;
    this.#events |= EVENT_BITS[number];
    return null;
  }

  #takeError(): string {
    const number = this.#errors.shift();
    return number === undefined ? '0,"No error"' : `${number},"${ERROR_TEXTS[number]}"`;
  }

  #takeEvents(): string {
    const events = this.#events;
    this.#events = 0;
    return String(events);
  }
}

/** NR3: +1.234000E+01, with a sign and two digits of exponent. */
function scientific(value: number, digits: number): string {
  const [mantissa, exponent] = (Object.is(value, -0) ? 0 : value).toExponential(digits - 1).split('e');
  return `${value < 0 ? '' : '+'}${mantissa}E${exponent![0]}${exponent!.slice(1).padStart(2, '0')}`;
}

/** Each node in its short form (the capitals) or its long form, whatever the case; nodes in brackets may be left out; # is a number. */
function headerPattern(header: string): RegExp {
  const source = header
    .replace(/[*?]/g, (sign) => `\\${sign}`)
    .replace(/([A-Z]+)([a-z]+)/g, (_, short: string, rest: string) => `${short}(?:${rest})?`)
    .replace(/\[(:[^\]]*)\]/g, '(?:$1)?')
    .replace(' #', ' +\\d{1,4}');
  return new RegExp(`^:?${source}$`, 'i');
}
