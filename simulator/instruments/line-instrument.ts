/** A virtual instrument that streams lines of text over a port, or sends one when it is asked, and answers commands. */
import { InputSelector, type SelectorPlan } from './input-selector.ts';
import { lineWriter, type LineFormat } from './line-format.ts';
import { PacedStream } from './paced-stream.ts';
import { RunningConverter } from './running-converter.ts';
import { takeSample, type InstrumentCounters, type InstrumentParts, type VirtualInstrument } from './virtual-instrument.ts';

/** Texts that the host may send, and what is answered; an empty answer is none. Case and spaces around do not matter. */
export interface LineCommands {
  readonly start: string | null;
  readonly stop: string | null;
  readonly zero: string | null;
  readonly identify: string | null;
  /** Answered with one line of the newest sample. */
  readonly read: string | null;
  /** Answered with the electronic data sheet of the first channel's transducer, in hexadecimal. */
  readonly dataSheet: string | null;
  /** Answer to start, stop and zero. */
  readonly acknowledge: string;
  /** Answer to anything else. */
  readonly unknown: string;
  /** Answer to identify. */
  readonly identity: string;
}

export interface LineInstrumentOptions extends InstrumentParts {
  readonly format: LineFormat;
  readonly commands: LineCommands;
  /** `clock`: as declared; `flood`: as fast as the port takes them. */
  readonly pace: 'clock' | 'flood';
  /** Streams from switch-on, or only after the start command. */
  readonly startsByItself: boolean;
  /** One converter for all channels: only one of them is read at a time. */
  readonly selector?: SelectorPlan | undefined;
  /** Memory image of the transducer's data sheet. */
  readonly dataSheet?: Uint8Array;
}

const MAX_COMMAND_BYTES = 256;

export class LineInstrument implements VirtualInstrument {
  readonly #options: LineInstrumentOptions;
  readonly #write: ReturnType<typeof lineWriter>;
  readonly #values: Float64Array;
  readonly #encoder = new TextEncoder();
  readonly #stream: PacedStream;
  readonly #converter: RunningConverter;
  readonly #selector: InputSelector | null;
  #lines = 0;
  #commands = 0;
  #heard = '';
  #isOn = false;

  constructor(options: LineInstrumentOptions) {
    this.#options = options;
    this.#write = lineWriter(options.format);
    this.#values = new Float64Array(options.channels.length);
    this.#stream = new PacedStream({ ...options, send: (count) => this.#send(count) });
    this.#converter = new RunningConverter(options);
    this.#selector = options.selector ? new InputSelector(options.clock, options.channels.length, options.selector.settleMs) : null;
    options.port.onData((bytes) => this.#hear(bytes));
  }

  get counters(): InstrumentCounters {
    return { messages: this.#lines, lateSamples: this.#stream.lateSamples + this.#converter.lateSamples, commands: this.#commands };
  }

  get isStreaming(): boolean {
    return this.#stream.isRunning;
  }

  switchOn(): void {
    this.switchOff();
    this.#isOn = true;
    this.#selector?.reset();
    this.#converter.start();
    if (this.#options.startsByItself) this.#stream.start();
  }

  switchOff(): void {
    this.#isOn = false;
    this.#heard = '';
    this.#stream.halt();
  }

  #send(count: number): void {
    let text = '';
    for (let i = 0; i < count; i++) text += this.#line(this.#values, takeSample(this.#options.channels, this.#values));
    this.#options.port.write(this.#encoder.encode(text));
  }

  #line(values: Float64Array, isOverloaded: boolean): string {
    const line = this.#write(values, { isOverloaded, counter: this.#lines, millis: (this.#lines * 1_000) / this.#options.rateHz });
    this.#lines++;
    return line;
  }

  #hear(bytes: Uint8Array): void {
    if (!this.#isOn) return;
    this.#heard += String.fromCharCode(...bytes.subarray(0, MAX_COMMAND_BYTES));
    const parts = this.#heard.split(/[\r\n]+/);
    this.#heard = parts.pop()!.slice(-MAX_COMMAND_BYTES);
    for (const part of parts) {
      const command = part.trim().toUpperCase();
      if (command !== '') this.#obey(command);
    }
  }

  #obey(command: string): void {
    const { commands, channels } = this.#options;
    const means = (text: string | null): boolean => text !== null && text.toUpperCase() === command;
    this.#commands++;
    if (means(commands.identify)) {
      this.#answer(commands.identity);
    } else if (means(commands.start)) {
      this.#answer(commands.acknowledge);
      this.#stream.start();
    } else if (means(commands.stop)) {
      this.#stream.halt();
      this.#answer(commands.acknowledge);
    } else if (means(commands.read)) {
      this.#options.port.write(this.#encoder.encode(this.#newestLine()));
    } else if (means(commands.dataSheet) && this.#options.dataSheet !== undefined) {
      this.#answer(Buffer.from(this.#options.dataSheet).toString('hex').toUpperCase());
    } else if (this.#select(command)) {
      if (this.#options.selector!.confirms) this.#answer(command);
    } else if (means(commands.zero)) {
      for (const channel of channels) channel.source.zero();
      this.#answer(commands.acknowledge);
    } else {
      this.#answer(commands.unknown);
    }
  }

  #newestLine(): string {
    const { values, isOverloaded } = this.#converter.newest();
    if (!this.#selector) return this.#line(values, isOverloaded);
    const { shown } = this.#selector;
    return this.#line(Float64Array.of(values[shown]!), this.#options.channels[shown]!.source.isSaturated);
  }

  /** @returns whether the command selects an input that is there */
  #select(command: string): boolean {
    const { selector } = this.#options;
    if (!selector || !this.#selector || !command.startsWith(selector.command)) return false;
    const number = command.slice(selector.command.length).trim();
    return /^\d{1,2}$/.test(number) && this.#selector.select(Number(number));
  }

  #answer(text: string): void {
    if (text !== '') this.#options.port.write(this.#encoder.encode(text + this.#options.format.delimiter));
  }
}
