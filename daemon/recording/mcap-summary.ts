/**
 * Watches the records of a recording pass and makes what ends it: checksum, schemas, channels, statistics and the index of
 * its chunks, by which general MCAP tools list, count and seek. Layouts by the specification of MCAP; numbers are little-endian.
 */
import { crc32 } from 'node:zlib';
import { McapRecordBuilder } from '@mcap/core';
import { BYTES_ENCODING } from './recording-format.ts';

/** Opcode and length. */
export const HEAD_BYTES = 9;
export const OPCODE = {
  footer: 0x02, schema: 0x03, channel: 0x04, message: 0x05, chunk: 0x06, messageIndex: 0x07, chunkIndex: 0x08, statistics: 0x0b, dataEnd: 0x0f,
} as const;
/** Of a message before its data: channel, sequence, two times. */
const MESSAGE_HEAD_BYTES = 22;
/** Of a chunk before the name of its compression. */
const CHUNK_HEAD_BYTES = 28;

/** A recording of more chunks has no index of them: seven days have fewer. An entry takes some 90 bytes. */
export const MAX_INDEXED_CHUNKS = 650_000;

interface PassingChunk {
  readonly messageStartTime: bigint;
  readonly messageEndTime: bigint;
  readonly chunkStartOffset: bigint;
  readonly chunkLength: bigint;
  readonly size: bigint;
  readonly messageIndexOffsets: Map<number, bigint>;
  messageIndexLength: bigint;
}

export class McapSummary {
  #offset = 0n;
  #crc = 0;
  readonly #schemas = new Map<number, Uint8Array>();
  readonly #channels = new Map<number, Uint8Array>();
  readonly #byteChannels = new Set<number>();
  readonly #counts = new Map<number, bigint>();
  #firstNs: bigint | null = null;
  #lastNs = 0n;
  #chunks = 0;
  #chunk: PassingChunk | null = null;
  readonly #index = new McapRecordBuilder();
  /** Of the bytes of instruments. */
  #messages = 0;
  #bytes = 0;

  /** Chunks of bytes of instruments so far, and their bytes. */
  get counters(): { readonly chunks: number; readonly bytes: number } {
    return { chunks: this.#messages, bytes: this.#bytes };
  }

  /** @param record whole, before the end of the data; the magic counts too */
  take(record: Uint8Array): void {
    const view = new DataView(record.buffer, record.byteOffset, record.byteLength);
    const opcode = record.length >= HEAD_BYTES ? view.getUint8(0) : 0;
    if (opcode === OPCODE.messageIndex) this.#takeMessageIndex(view);
    else this.#endChunk();
    if (opcode === OPCODE.chunk) this.#takeChunk(view);
    this.#crc = crc32(record, this.#crc);
    this.#offset += BigInt(record.length);
  }

  /** All that follows the data. */
  end(): Uint8Array {
    this.#endChunk();
    const records = new McapRecordBuilder();
    records.writeDataEnd({ dataSectionCrc: this.#crc });
    const dataEndBytes = records.length;
    const summaryStart = this.#offset + BigInt(dataEndBytes);
    const groups: { groupOpcode: number; groupStart: bigint; groupLength: bigint }[] = [];
    const parts: Uint8Array[] = [];
    let length = 0n;
    const add = (groupOpcode: number, group: readonly Uint8Array[]): void => {
      const groupLength = group.reduce((sum, bytes) => sum + BigInt(bytes.length), 0n);
      if (groupLength === 0n) return;
      groups.push({ groupOpcode, groupStart: summaryStart + length, groupLength });
      parts.push(...group);
      length += groupLength;
    };
    add(OPCODE.schema, [...this.#schemas.values()]);
    add(OPCODE.channel, [...this.#channels.values()]);
    add(OPCODE.statistics, [this.#statistics()]);
    // An index of some of the chunks would hide the others.
    if (this.#chunks <= MAX_INDEXED_CHUNKS) add(OPCODE.chunkIndex, [this.#index.buffer]);
    const tail = new McapRecordBuilder();
    for (const group of groups) tail.writeSummaryOffset(group);
    const summaryOffsetStart = summaryStart + length;
    const summaryEnd = tail.length;
    tail.writeFooter({ summaryStart, summaryOffsetStart, summaryCrc: 0 });
    // The checksum covers the footer up to itself.
    let crc = 0;
    for (const bytes of [...parts, tail.buffer.subarray(0, tail.length - 4)]) crc = crc32(bytes, crc);
    const offsets = tail.buffer.slice(0, summaryEnd);
    tail.reset();
    tail.writeFooter({ summaryStart, summaryOffsetStart, summaryCrc: crc });
    tail.writeMagic();
    return Buffer.concat([records.buffer, ...parts, offsets, tail.buffer]);
  }

  #statistics(): Uint8Array {
    const records = new McapRecordBuilder();
    records.writeStatistics({
      messageCount: [...this.#counts.values()].reduce((sum, count) => sum + count, 0n), schemaCount: this.#schemas.size, channelCount: this.#channels.size,
      attachmentCount: 0, metadataCount: 0, chunkCount: this.#chunks, messageStartTime: this.#firstNs ?? 0n, messageEndTime: this.#lastNs,
      channelMessageCounts: this.#counts,
    });
    return records.buffer;
  }

  #takeChunk(view: DataView): void {
    const body = HEAD_BYTES + CHUNK_HEAD_BYTES;
    const from = body + 4 + view.getUint32(body, true) + 8;
    const messageStartTime = view.getBigUint64(HEAD_BYTES, true);
    const messageEndTime = view.getBigUint64(HEAD_BYTES + 8, true);
    this.#chunk = {
      messageStartTime, messageEndTime, chunkStartOffset: this.#offset, chunkLength: BigInt(view.byteLength), size: BigInt(view.byteLength - from),
      messageIndexOffsets: new Map(), messageIndexLength: 0n,
    };
    let hasMessages = false;
    for (let at = from; at + HEAD_BYTES <= view.byteLength;) {
      const size = HEAD_BYTES + Number(view.getBigUint64(at + 1, true));
      const opcode = view.getUint8(at);
      if (opcode === OPCODE.message) {
        hasMessages = true;
        this.#countMessage(view.getUint16(at + HEAD_BYTES, true), size - HEAD_BYTES - MESSAGE_HEAD_BYTES);
      } else if (opcode === OPCODE.schema || opcode === OPCODE.channel) this.#keep(opcode, new Uint8Array(view.buffer, view.byteOffset + at, size).slice());
      at += size;
    }
    if (!hasMessages) return;
    this.#firstNs = this.#firstNs === null || messageStartTime < this.#firstNs ? messageStartTime : this.#firstNs;
    if (messageEndTime > this.#lastNs) this.#lastNs = messageEndTime;
  }

  #keep(opcode: number, record: Uint8Array): void {
    const view = new DataView(record.buffer);
    const id = view.getUint16(HEAD_BYTES, true);
    if (opcode === OPCODE.schema) {
      this.#schemas.set(id, record);
      return;
    }
    this.#channels.set(id, record);
    const topicEnd = HEAD_BYTES + 8 + view.getUint32(HEAD_BYTES + 4, true);
    const encoding = new TextDecoder().decode(record.subarray(topicEnd + 4, topicEnd + 4 + view.getUint32(topicEnd, true)));
    if (encoding === BYTES_ENCODING) this.#byteChannels.add(id);
  }

  #countMessage(channel: number, bytes: number): void {
    this.#counts.set(channel, (this.#counts.get(channel) ?? 0n) + 1n);
    if (!this.#byteChannels.has(channel)) return;
    this.#messages++;
    this.#bytes += bytes;
  }

  #takeMessageIndex(view: DataView): void {
    if (!this.#chunk) return;
    this.#chunk.messageIndexOffsets.set(view.getUint16(HEAD_BYTES, true), this.#offset);
    this.#chunk.messageIndexLength += BigInt(view.byteLength);
  }

  /** Its indexes stand behind it: only now is it known where they are. */
  #endChunk(): void {
    const chunk = this.#chunk;
    if (!chunk) return;
    this.#chunk = null;
    if (++this.#chunks > MAX_INDEXED_CHUNKS) return;
    const { size, ...place } = chunk;
    this.#index.writeChunkIndex({ ...place, compression: '', compressedSize: size, uncompressedSize: size });
  }
}
