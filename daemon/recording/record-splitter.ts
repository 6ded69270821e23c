/** Cuts a stream of MCAP bytes at the ends of its records. Keeps what is not whole yet, copied once when it is. */
import { HEAD_BYTES, OPCODE } from './mcap-summary.ts';

const MAGIC_BYTES = 8;

export class RecordSplitter {
  #parts: Uint8Array[] = [];
  /** Bytes in `#parts`. */
  #length = 0;
  /** So many bytes it takes to go on. */
  #wanted = MAGIC_BYTES;
  #bytes: Uint8Array = new Uint8Array(0);
  #at = 0;
  #next: 'magic' | 'record' | 'rest' = 'magic';
  /** What `next` gave last is a record from its first to its last byte. */
  isWholeRecord = false;

  /** Bytes that are not whole records. */
  get waiting(): number {
    return this.#length;
  }

  append(bytes: Uint8Array): void {
    this.#parts.push(bytes);
    this.#length += bytes.length;
  }

  /** @returns the magic, then record after record, then all from the footer on as it comes; null: it takes more bytes */
  next(): Uint8Array | null {
    if (this.#length === 0 || this.#length < this.#wanted) return null;
    if (this.#parts.length > 1 || this.#bytes !== this.#parts[0]) this.#join();
    const size = this.#sizeOfNext();
    this.isWholeRecord = this.#next === 'record';
    if (size > this.#length) {
      this.#wanted = size;
      return null;
    }
    if (this.#next === 'magic') this.#next = 'record';
    const given = this.#bytes.subarray(this.#at, this.#at + size);
    this.#at += size;
    this.#length -= size;
    this.#wanted = this.#next === 'record' ? HEAD_BYTES : 0;
    return given;
  }

  #join(): void {
    const [first = new Uint8Array(0), ...more] = this.#parts;
    const begun = this.#bytes === first ? first.subarray(this.#at) : first;
    const parts = [begun, ...more].filter((part) => part.length > 0);
    this.#bytes = parts.length === 1 ? parts[0]! : Buffer.concat(parts);
    this.#parts = [this.#bytes];
    this.#at = 0;
  }

  #sizeOfNext(): number {
    if (this.#next === 'magic') return MAGIC_BYTES;
    if (this.#next === 'rest') return this.#length;
    const { buffer, byteOffset, byteLength } = this.#bytes;
    const view = new DataView(buffer, byteOffset, byteLength);
    if (view.getUint8(this.#at) === OPCODE.footer) {
      this.#next = 'rest';
      return this.#length;
    }
    return HEAD_BYTES + view.getUint32(this.#at + 1, true) + view.getUint32(this.#at + 5, true) * 2 ** 32;
  }
}
