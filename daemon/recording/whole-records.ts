/** Cuts a stream of MCAP bytes at the ends of its records, so that a recording can be ended properly at any time. */
import { McapRecordBuilder } from '@mcap/core';
import { TorsiondError } from '../../shared/errors.ts';
import { LONGEST_RECORD_BYTES } from './recording-format.ts';

const MAGIC_BYTES = 8;
/** Opcode and length. */
const HEAD_BYTES = 9;
const OP_FOOTER = 0x02;
const OP_MESSAGE = 0x05;
/** Of a message before its data: channel, sequence, two times. */
const MESSAGE_HEAD_BYTES = 22;

export class WholeRecords {
  #pending: Uint8Array = new Uint8Array(0);
  /** What comes next. */
  #next: 'magic' | 'record' | 'last magic' | 'nothing' = 'magic';
  #chunks = 0;
  #bytes = 0;

  /** Messages and their bytes so far. */
  get counters(): { readonly chunks: number; readonly bytes: number } {
    return { chunks: this.#chunks, bytes: this.#bytes };
  }

  /** The stream ended as a recording ends. */
  get isComplete(): boolean {
    return this.#next === 'nothing';
  }

  /**
   * @returns all records that are whole now, not given before; what is left of them waits for the next bytes
   * @throws TorsiondError INPUT_FORMAT when a record claims to be longer than any is
   */
  take(bytes: Uint8Array): Uint8Array {
    const all = this.#pending.length === 0 ? bytes : Buffer.concat([this.#pending, bytes]);
    const view = new DataView(all.buffer, all.byteOffset, all.byteLength);
    let at = 0;
    for (let size = this.#sizeAt(view, at); size !== null && at + size <= all.length; size = this.#sizeAt(view, at)) {
      this.#pass(view.getUint8(at), size);
      at += size;
    }
    this.#pending = all.slice(at);
    return all.subarray(0, at);
  }

  /** What ends a recording after whole records. */
  end(): Uint8Array {
    const records = new McapRecordBuilder();
    records.writeDataEnd({ dataSectionCrc: 0 });
    records.writeFooter({ summaryStart: 0n, summaryOffsetStart: 0n, summaryCrc: 0 });
    records.writeMagic();
    return records.buffer.slice();
  }

  #sizeAt(view: DataView, at: number): number | null {
    if (this.#next === 'nothing') return null;
    if (this.#next !== 'record') return MAGIC_BYTES;
    if (at + HEAD_BYTES > view.byteLength) return null;
    const size = view.getBigUint64(at + 1, true);
    if (size > LONGEST_RECORD_BYTES) throw new TorsiondError('INPUT_FORMAT', 'what comes is no recording');
    return HEAD_BYTES + Number(size);
  }

  #pass(opcode: number, size: number): void {
    if (this.#next === 'magic') this.#next = 'record';
    else if (this.#next === 'last magic') this.#next = 'nothing';
    else if (opcode === OP_FOOTER) this.#next = 'last magic';
    else if (opcode === OP_MESSAGE) {
      this.#chunks++;
      this.#bytes += size - HEAD_BYTES - MESSAGE_HEAD_BYTES;
    }
  }
}
