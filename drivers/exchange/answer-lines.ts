/** Lines of a device that speaks only when asked, offered to an exchange. */
import { TorsiondError } from '../../shared/errors.ts';
import { LineFramer } from '../framing/line-framer.ts';
import type { ByteChunk } from '../links/link.ts';
import type { Exchange } from './exchange.ts';

export interface AnswerLinesOptions {
  readonly delimiter: Uint8Array;
  readonly maxLineBytes: number;
  readonly where: string;
}

export class AnswerLines {
  readonly #options: AnswerLinesOptions;
  readonly #framer: LineFramer;
  #exchange: Exchange<Uint8Array> | null = null;
  #atMs = 0;
  /** The line being received began before the question: it answers nothing. */
  #isOld = false;
  #lines = 0;

  constructor(options: AnswerLinesOptions) {
    this.#options = options;
    // A device that waits to be asked begins with its answer, so its first line counts, as far as a question is under way.
    this.#framer = new LineFramer({ delimiter: options.delimiter, maxLineBytes: options.maxLineBytes, onPartial: (line) => this.#line(line) });
  }

  /** Where lines go from now on. */
  serve(exchange: Exchange<Uint8Array>): void {
    this.#exchange = exchange;
  }

  /** Call when a question leaves. */
  noteAsked(): void {
    this.#isOld = this.#framer.buffered > 0;
  }

  get isMidLine(): boolean {
    return this.#framer.buffered > 0;
  }

  get lines(): number {
    return this.#lines;
  }

  get discardedBytes(): number {
    return this.#framer.discardedBytes;
  }

  push(chunk: ByteChunk): void {
    this.#atMs = chunk.atMs;
    this.#exchange?.heard(chunk.atMs);
    this.#framer.push(chunk.data, {
      frames: (bytes, bounds, count) => {
        for (let i = 0; i < count; i++) this.#line(bytes.subarray(bounds[2 * i], bounds[2 * i + 1]));
      },
      tooLong: () => this.#exchange?.fail(new TorsiondError('FRAME_TOO_LONG', `more than ${this.#options.maxLineBytes} bytes without a delimiter`, { where: this.#options.where })),
    });
  }

  end(): void {
    this.#framer.reset();
  }

  #line(line: Uint8Array): void {
    this.#lines++;
    const isOld = this.#isOld;
    this.#isOld = false;
    if (isOld || !this.#exchange) return;
    this.#exchange.offer(line, this.#atMs);
  }
}
