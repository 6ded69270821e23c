/** Cuts a stream of MCAP bytes at the ends of its records. Only a record that several pieces hold is copied, and once. */
import { HEAD_BYTES, OPCODE } from './mcap-summary.ts';

const MAGIC_BYTES = 8;

export class RecordSplitter {
  /** What was not given yet stands from `#at` on. */
  #parts: Uint8Array[] = [];
  #at = 0;
  #length = 0;
  /** So many bytes it takes to go on. */
  #wanted = MAGIC_BYTES;
  #next: 'magic' | 'record' | 'rest' = 'magic';
  /** What `next` gave last is a record from its first to its last byte. */
  isWholeRecord = false;

  /** Bytes that are not whole records. */
  get waiting(): number {
    return this.#length;
  }

  append(bytes: Uint8Array): void {
    if (bytes.length === 0) return;
    this.#parts.push(bytes);
    this.#length += bytes.length;
  }

  /** @returns the magic, then record after record, then all from the footer on as it comes; null: it takes more bytes */
  next(): Uint8Array | null {
    if (this.#length === 0 || this.#length < this.#wanted) return null;
    this.#gather(this.#wanted);
    const size = this.#sizeOfNext();
    if (size > this.#length) {
      this.#wanted = size;
      return null;
    }
    this.#gather(size);
    this.isWholeRecord = this.#next === 'record';
    if (this.#next === 'magic') this.#next = 'record';
    this.#wanted = this.#next === 'record' ? HEAD_BYTES : 1;
    const given = this.#parts[0]!.subarray(this.#at, this.#at + size);
    this.#advance(size);
    return given;
  }

  /** The next bytes lie in one piece. */
  #gather(size: number): void {
    if (this.#parts[0]!.length - this.#at >= size) return;
    const whole = new Uint8Array(size);
    for (let filled = 0; filled < size;) {
      const part = this.#parts[0]!.subarray(this.#at, this.#at + size - filled);
      whole.set(part, filled);
      filled += part.length;
      this.#advance(part.length);
    }
    if (this.#parts.length > 0) this.#parts[0] = this.#parts[0]!.subarray(this.#at);
    this.#parts.unshift(whole);
    this.#at = 0;
    this.#length += size;
  }

  #advance(size: number): void {
    this.#length -= size;
    this.#at += size;
    if (this.#at < this.#parts[0]!.length) return;
    this.#parts.shift();
    this.#at = 0;
  }

  #sizeOfNext(): number {
    if (this.#next === 'magic') return MAGIC_BYTES;
    if (this.#next === 'rest') return this.#length;
    const part = this.#parts[0]!;
    const view = new DataView(part.buffer, part.byteOffset + this.#at, HEAD_BYTES);
    if (view.getUint8(0) === OPCODE.footer) {
      this.#next = 'rest';
      return this.#length;
    }
    return HEAD_BYTES + view.getUint32(1, true) + view.getUint32(5, true) * 2 ** 32;
  }
}
