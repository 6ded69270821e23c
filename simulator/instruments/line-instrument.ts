/** A virtual instrument that streams lines of text over a port, and answers commands. */
import type { Clock } from '../../shared/clock.ts';
import type { SimulatedPort } from '../ports/port.ts';
import type { ChannelSource } from './channel-source.ts';
import { lineWriter, type LineFormat } from './line-format.ts';
import { unitsPerNewtonMetre } from './units.ts';

/** Texts that the host may send, and what is answered; an empty answer is none. Case and spaces around do not matter. */
export interface LineCommands {
  readonly start: string | null;
  readonly stop: string | null;
  readonly zero: string | null;
  readonly identify: string | null;
  /** Answer to start, stop and zero. */
  readonly acknowledge: string;
  /** Answer to anything else. */
  readonly unknown: string;
  /** Answer to identify. */
  readonly identity: string;
}

export interface LineInstrumentOptions {
  readonly port: SimulatedPort;
  readonly clock: Clock;
  readonly channels: readonly { readonly source: ChannelSource; /** UCUM code of the values shown. */ readonly unit: string }[];
  readonly format: LineFormat;
  readonly commands: LineCommands;
  /** Samples of each channel per second by its own quartz. */
  readonly rateHz: number;
  /** `clock`: as declared; `flood`: as fast as the port takes them. */
  readonly pace: 'clock' | 'flood';
  /** Streams from switch-on, or only after the start command. */
  readonly startsByItself: boolean;
}

export interface LineInstrumentCounters {
  readonly lines: number;
  /** Not sampled because this process was late by more than `MAX_LATE_MS`; the instrument's time stood still instead. */
  readonly lateSamples: number;
  readonly commands: number;
}

/** Lines are written in chunks this often, ms; slower streams line by line. */
const CHUNK_MS = 5;
const MAX_LATE_MS = 500;
const FLOOD_CHUNK_LINES = 128;
const FLOOD_BACKLOG_BYTES = 64 * 1024;
const FLOOD_CHUNKS_PER_TURN = 8;
const MAX_COMMAND_BYTES = 256;

export class LineInstrument {
  readonly #options: LineInstrumentOptions;
  readonly #write: ReturnType<typeof lineWriter>;
  readonly #factors: readonly number[];
  readonly #values: Float64Array;
  readonly #encoder = new TextEncoder();
  #counters = { lines: 0, lateSamples: 0, commands: 0 };
  #cancel: (() => void) | null = null;
  #startMs = 0;
  #due = 0;
  #heard = '';
  #isOn = false;

  constructor(options: LineInstrumentOptions) {
    this.#options = options;
    this.#write = lineWriter(options.format);
    this.#factors = options.channels.map((channel) => unitsPerNewtonMetre(channel.unit));
    this.#values = new Float64Array(options.channels.length);
    options.port.onData((bytes) => this.#hear(bytes));
  }

  get counters(): LineInstrumentCounters {
    return { ...this.#counters };
  }

  get isStreaming(): boolean {
    return this.#cancel !== null;
  }

  switchOn(): void {
    this.switchOff();
    this.#isOn = true;
    if (this.#options.startsByItself) this.#stream();
  }

  switchOff(): void {
    this.#isOn = false;
    this.#heard = '';
    this.#halt();
  }

  #stream(): void {
    if (this.#cancel) return;
    this.#startMs = this.#options.clock.monoMs();
    this.#due = 0;
    this.#schedule();
  }

  #halt(): void {
    this.#cancel?.();
    this.#cancel = null;
  }

  #schedule(): void {
    const { clock, rateHz, pace } = this.#options;
    if (pace === 'flood') {
      this.#cancel = clock.after(1, () => this.#flood());
      return;
    }
    // A slow stream wakes when its next sample is due, a fast one every few ms for all that are due by then.
    const nextMs = this.#startMs + ((this.#due + 1) * 1_000) / rateHz - clock.monoMs();
    this.#cancel = clock.after(Math.max(nextMs, 1_000 / rateHz >= CHUNK_MS ? 0 : CHUNK_MS), () => this.#tick());
  }

  #tick(): void {
    const { clock, rateHz } = this.#options;
    const late = Math.floor(((clock.monoMs() - this.#startMs) * rateHz) / 1_000) - this.#due;
    const count = Math.min(late, Math.max(1, Math.floor((MAX_LATE_MS * rateHz) / 1_000)));
    if (late > count) this.#counters.lateSamples += late - count;
    this.#due += late;
    if (count > 0) this.#send(count);
    this.#schedule();
  }

  #flood(): void {
    for (let i = 0; i < FLOOD_CHUNKS_PER_TURN && this.#options.port.backlogBytes < FLOOD_BACKLOG_BYTES; i++) this.#send(FLOOD_CHUNK_LINES);
    this.#schedule();
  }

  #send(count: number): void {
    const { channels, port, rateHz } = this.#options;
    let text = '';
    for (let i = 0; i < count; i++) {
      let isOverloaded = false;
      for (let c = 0; c < channels.length; c++) {
        const { source } = channels[c]!;
        this.#values[c] = source.next() * this.#factors[c]!;
        if (source.isSaturated) isOverloaded = true;
      }
      text += this.#write(this.#values, { isOverloaded, counter: this.#counters.lines, millis: (this.#counters.lines * 1_000) / rateHz });
      this.#counters.lines++;
    }
    port.write(this.#encoder.encode(text));
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
    this.#counters.commands++;
    if (means(commands.identify)) {
      this.#answer(commands.identity);
    } else if (means(commands.start)) {
      this.#answer(commands.acknowledge);
      this.#stream();
    } else if (means(commands.stop)) {
      this.#halt();
      this.#answer(commands.acknowledge);
    } else if (means(commands.zero)) {
      for (const channel of channels) channel.source.zero();
      this.#answer(commands.acknowledge);
    } else {
      this.#answer(commands.unknown);
    }
  }

  #answer(text: string): void {
    if (text !== '') this.#options.port.write(this.#encoder.encode(text + this.#options.format.delimiter));
  }
}
