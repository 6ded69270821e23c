/**
 * What a recording that joins a running connection needs of its past, so that a replay's driver comes into step with the
 * live one: the beginning, in which the instrument said who it is, and the last bytes. Two bounds: of the
 * beginning nothing is kept once it is longer, of the rest the newest is.
 */
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { RecordedMark } from './recording-format.ts';

export type Remembered =
  | { readonly kind: 'chunk'; readonly chunk: ByteChunk }
  | { readonly kind: 'mark'; readonly mark: Extract<RecordedMark, { kind: 'note' }> };

export const MEMORY_BYTES = 131_072;
export const MEMORY_ITEMS = 2_048;

export class ConnectionMemory {
  readonly epoch: number;
  /** Null: it was too long. */
  #head: Remembered[] | null = [];
  #isHead = true;
  #isEmpty = true;
  /** The newest, and those before them. */
  #young: Remembered[] = [];
  #old: Remembered[] = [];
  /** Of the list that grows. */
  #bytes = 0;
  #doneBytes = 0;
  #headBytes = 0;

  constructor(epoch: number) {
    this.epoch = epoch;
  }

  /** Nothing has come on this connection. */
  get isEmpty(): boolean {
    return this.#isEmpty;
  }

  /** The instrument has said who it is: what comes now is no part of the beginning. */
  endHead(): void {
    if (!this.#isHead) return;
    this.#isHead = false;
    this.#headBytes = this.#bytes;
    this.#bytes = 0;
  }

  take(item: Remembered): void {
    this.#isEmpty = false;
    const bytes = item.kind === 'chunk' ? item.chunk.data.byteLength : 0;
    const list = this.#isHead ? this.#head : this.#young;
    if (list === null) return;
    this.#bytes += bytes;
    list.push(item);
    if (this.#bytes < MEMORY_BYTES && list.length < MEMORY_ITEMS) return;
    if (this.#isHead) this.#head = null;
    else {
      this.#doneBytes = this.#bytes;
      this.#old = this.#young;
      this.#young = [];
    }
    this.#bytes = 0;
  }

  /** Bytes that are kept. */
  get bytes(): number {
    return this.#headBytes + this.#doneBytes + this.#bytes;
  }

  get isHeadLost(): boolean {
    return this.#head === null;
  }

  /** All since the connection began; null once the beginning is over, or was too long. */
  get sinceStart(): readonly Remembered[] | null {
    return this.#isHead ? this.#head : null;
  }

  /** Null when it was too long. */
  get head(): readonly Remembered[] | null {
    return this.#head;
  }

  get latest(): readonly Remembered[] {
    return [...this.#old, ...this.#young];
  }
}
