/** Cuts a stream of MCAP bytes at the ends of its records, so that a recording can be ended properly at any time. */
import { TorsiondError } from '../../shared/errors.ts';
import { HEAD_BYTES, McapSummary, OPCODE } from './mcap-summary.ts';
import { LONGEST_RECORD_BYTES } from './recording-format.ts';

const MAGIC_BYTES = 8;

export class WholeRecords {
  #pending: Uint8Array = new Uint8Array(0);
  /** What comes next. */
  #next: 'magic' | 'record' | 'nothing' = 'magic';
  readonly #summary = new McapSummary();

  /** Chunks of bytes of instruments so far, and their bytes. */
  get counters(): { readonly chunks: number; readonly bytes: number } {
    return this.#summary.counters;
  }

  /** All data came: who records has ended it. */
  get isComplete(): boolean {
    return this.#next === 'nothing';
  }

  /**
   * @returns all records of data that are whole now, not given before; what is left of them waits for the next bytes. What
   *   follows the data is left to `end`, which makes the same.
   * @throws TorsiondError INPUT_FORMAT when a record claims to be longer than any is
   */
  take(bytes: Uint8Array): Uint8Array {
    if (this.#next === 'nothing') return new Uint8Array(0);
    const all = this.#pending.length === 0 ? bytes : Buffer.concat([this.#pending, bytes]);
    const view = new DataView(all.buffer, all.byteOffset, all.byteLength);
    let at = 0;
    for (let size = this.#sizeAt(view, at); size !== null && at + size <= all.length; size = this.#sizeAt(view, at)) {
      if (this.#next === 'record' && view.getUint8(at) === OPCODE.dataEnd) {
        this.#next = 'nothing';
        this.#pending = new Uint8Array(0);
        return all.subarray(0, at);
      }
      this.#next = 'record';
      this.#summary.take(all.subarray(at, at + size));
      at += size;
    }
    this.#pending = all.slice(at);
    return all.subarray(0, at);
  }

  /** What ends a recording after whole records. */
  end(): Uint8Array {
    return this.#summary.end();
  }

  #sizeAt(view: DataView, at: number): number | null {
    if (this.#next === 'magic') return MAGIC_BYTES;
    if (at + HEAD_BYTES > view.byteLength) return null;
    const size = view.getBigUint64(at + 1, true);
    if (size > LONGEST_RECORD_BYTES) throw new TorsiondError('INPUT_FORMAT', 'what comes is no recording');
    return HEAD_BYTES + Number(size);
  }
}
