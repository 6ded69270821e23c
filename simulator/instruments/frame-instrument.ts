/** A virtual instrument that streams binary frames: torques, or the counts of a bridge amplifier. */
import { frameWriter, hexToBytes, type FrameFormat } from './frame-format.ts';
import { PacedStream } from './paced-stream.ts';
import { takeSample, type InstrumentCounters, type InstrumentParts, type VirtualInstrument } from './virtual-instrument.ts';

export interface FrameInstrumentOptions extends InstrumentParts {
  readonly format: FrameFormat;
  readonly pace: 'clock' | 'flood';
  readonly startsByItself: boolean;
  /** Memory image of the transducer's data sheet. */
  readonly dataSheet?: Uint8Array;
}

const MAX_COMMAND_BYTES = 64;

export class FrameInstrument implements VirtualInstrument {
  readonly #options: FrameInstrumentOptions;
  readonly #write: ReturnType<typeof frameWriter>;
  readonly #values: Float64Array;
  readonly #stream: PacedStream;
  readonly #meanings: readonly { readonly bytes: string; readonly act: () => void }[];
  #frames = 0;
  #commands = 0;
  /** Hexadecimal, two letters a byte. */
  #heard = '';
  #isOn = false;

  constructor(options: FrameInstrumentOptions) {
    this.#options = options;
    this.#write = frameWriter(options.format, options.channels.length);
    this.#values = new Float64Array(options.channels.length);
    this.#stream = new PacedStream({ ...options, send: (count) => this.#send(count) });
    const { start, stop, zero, dataSheet } = options.format.commands;
    const meaning = (text: string | undefined, act: () => void) => (text === undefined ? [] : [{ bytes: Buffer.from(hexToBytes(text)).toString('hex'), act }]);
    this.#meanings = [
      ...meaning(start, () => this.#stream.start()),
      ...meaning(stop, () => this.#stream.halt()),
      ...meaning(zero, () => options.channels.forEach((channel) => channel.source.zero())),
      ...meaning(dataSheet, () => options.dataSheet && options.port.write(options.dataSheet.slice())),
    ];
    options.port.onData((bytes) => this.#hear(bytes));
  }

  get counters(): InstrumentCounters {
    return { messages: this.#frames, lateSamples: this.#stream.lateSamples, commands: this.#commands };
  }

  switchOn(): void {
    this.switchOff();
    this.#isOn = true;
    if (this.#options.startsByItself) this.#stream.start();
  }

  switchOff(): void {
    this.#isOn = false;
    this.#heard = '';
    this.#stream.halt();
  }

  #send(count: number): void {
    const { channels, format, port } = this.#options;
    const frames: Uint8Array[] = [];
    const frame = (values: Float64Array, channel: number, isOverloaded: boolean): void => {
      frames.push(this.#write(values, { counter: this.#frames, channel, isOverloaded }));
      this.#frames++;
    };
    for (let i = 0; i < count; i++) {
      const isOverloaded = takeSample(channels, this.#values);
      if (format.channels === 'together') frame(this.#values, 0, isOverloaded);
      else channels.forEach(({ source }, c) => frame(this.#values.subarray(c, c + 1), c, source.isSaturated));
    }
    port.write(Buffer.concat(frames));
  }

  #hear(bytes: Uint8Array): void {
    if (!this.#isOn) return;
    for (const byte of bytes) {
      this.#heard = (this.#heard + byte.toString(16).padStart(2, '0')).slice(-2 * MAX_COMMAND_BYTES);
      const meant = this.#meanings.find((meaning) => this.#heard.endsWith(meaning.bytes));
      if (!meant) continue;
      this.#heard = '';
      this.#commands++;
      meant.act();
    }
  }
}
