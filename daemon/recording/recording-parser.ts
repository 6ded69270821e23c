/**
 * Bytes of a recording to what they hold, item by item. The library reads every record but those of which there are
 * millions: messages in chunks, and the index behind each chunk. Of these it would make several objects and copies each.
 */
import { crc32 } from 'node:zlib';
import { McapStreamReader, type McapTypes } from '@mcap/core';
import type { ByteChunk } from '../../drivers/links/link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { HEAD_BYTES, OPCODE } from './mcap-summary.ts';
import {
  BYTES_ENCODING, LONGEST_RECORD_BYTES, MARKS_TOPIC, readConnection, readMark, RECORDING_PROFILE, type RecordedConnection, type RecordedMark,
} from './recording-format.ts';
import { RecordSplitter } from './record-splitter.ts';
import { MessageTimes } from './message-times.ts';

export type RecordingItem =
  | { readonly kind: 'connection'; readonly connection: RecordedConnection }
  /** `chunk.atMs` is the monotonic arrival time of the live run, the same double. */
  | { readonly kind: 'chunk'; readonly connection: RecordedConnection; readonly chunk: ByteChunk }
  | { readonly kind: 'mark'; readonly mark: RecordedMark }
  /** The last item of a file that does not end properly; what came before it is sound. */
  | { readonly kind: 'cut'; readonly error: TorsiondError };

interface ReadChannel {
  /** Null: marks, or torque for viewers. */
  readonly connection: RecordedConnection | null;
  readonly times: MessageTimes | null;
  readonly isMarks: boolean;
  /** Number of its next message. */
  next: number;
}

interface OpenChunk {
  readonly bytes: Uint8Array;
  readonly view: DataView;
  at: number;
}

/** What stands beside the data of a recording, and tells a reader nothing that the data does not. */
const BESIDE: ReadonlySet<string> = new Set(['Schema', 'MessageIndex', 'ChunkIndex', 'SummaryOffset', 'DataEnd', 'Footer']);
/** Channel, sequence, two times. */
const MESSAGE_HEAD_BYTES = 22;
const LAST_OPCODE = OPCODE.dataEnd;

export class RecordingParser {
  readonly #path: string;
  readonly #splitter = new RecordSplitter();
  readonly #library = new McapStreamReader();
  /** The library may have a record to give. */
  #isLibraryFed = false;
  #chunk: OpenChunk | null = null;
  readonly #channels = new Map<number, ReadChannel>();
  /** The channel of the last message. */
  #lastId = -1;
  #last: ReadChannel | null = null;
  #isOurs = false;
  #isOver = false;
  #messages = 0;
  #bytes = 0;

  constructor(path: string) {
    this.#path = path;
  }

  /** Nothing more comes of it, whatever follows. */
  get isOver(): boolean {
    return this.#isOver;
  }

  /** @param bytes the parser's to keep: chunks are given as views of them */
  append(bytes: Uint8Array): void {
    this.#splitter.append(bytes);
  }

  /**
   * @returns null when it takes more bytes to go on
   * @throws TorsiondError INPUT_FORMAT for what is no recording of torsiond
   */
  next(): RecordingItem | null {
    while (!this.#isOver) {
      if (this.#isLibraryFed) {
        const item = this.#fromLibrary();
        if (item !== null) return item;
      } else if (this.#chunk !== null) {
        const item = this.#fromChunk(this.#chunk);
        if (item !== null) return item;
      } else {
        const record = this.#splitter.next();
        if (record === null) return this.#splitter.waiting + this.#library.bytesRemaining() > LONGEST_RECORD_BYTES ? this.#damaged() : null;
        const item = this.#take(record);
        if (item !== null) return item;
      }
    }
    return null;
  }

  /** The file ended. @returns what that says */
  end(): RecordingItem | null {
    if (this.#isOver || this.#library.done()) return null;
    return this.#cut('it ends without its last records');
  }

  #take(record: Uint8Array): RecordingItem | null {
    if (this.#library.done()) return this.#cut('bytes follow its end');
    const view = new DataView(record.buffer, record.byteOffset, record.byteLength);
    const opcode = this.#splitter.isWholeRecord ? view.getUint8(0) : 0;
    if (opcode === OPCODE.messageIndex && isMessageIndex(view)) return null;
    const from = opcode === OPCODE.chunk ? recordsFrom(view) : -1;
    if (from < 0) {
      this.#feedLibrary(record);
      return null;
    }
    const size = Number(view.getBigUint64(from - 8, true));
    if (from + size > record.length) return this.#damaged();
    const crc = view.getUint32(HEAD_BYTES + 24, true);
    const bytes = record.subarray(from, from + size);
    if (crc !== 0 && crc32(bytes) !== crc) return this.#damaged();
    this.#chunk = { bytes, view: new DataView(bytes.buffer, bytes.byteOffset, size), at: 0 };
    return null;
  }

  #feedLibrary(record: Uint8Array): void {
    this.#library.append(record);
    this.#isLibraryFed = true;
  }

  #fromChunk(chunk: OpenChunk): RecordingItem | null {
    const { bytes, view, at } = chunk;
    const left = bytes.length - at;
    if (left === 0) {
      this.#chunk = null;
      return null;
    }
    if (left < HEAD_BYTES) return this.#damaged();
    const size = view.getUint32(at + 1, true) + view.getUint32(at + 5, true) * 2 ** 32;
    if (size > left - HEAD_BYTES) return this.#damaged();
    chunk.at = at + HEAD_BYTES + size;
    const opcode = bytes[at]!;
    if (opcode === OPCODE.message) return size < MESSAGE_HEAD_BYTES ? this.#damaged() : this.#message(view, at + HEAD_BYTES, size);
    if (opcode === OPCODE.schema || opcode === OPCODE.channel) {
      this.#feedLibrary(bytes.subarray(at, chunk.at));
      return null;
    }
    return opcode > 0 && opcode <= LAST_OPCODE ? this.#damaged() : this.#incomplete();
  }

  #message(view: DataView, at: number, size: number): RecordingItem | null {
    const id = view.getUint16(at, true);
    if (id !== this.#lastId) {
      const found = this.#channels.get(id);
      if (!found) return this.#damaged();
      this.#last = found;
      this.#lastId = id;
    }
    const channel = this.#last!;
    if (view.getUint32(at + 2, true) !== channel.next) return this.#cut('a part of it is missing');
    channel.next++;
    if (channel.connection === null && !channel.isMarks) return null;
    const data = new Uint8Array(view.buffer, view.byteOffset + at + MESSAGE_HEAD_BYTES, size - MESSAGE_HEAD_BYTES);
    if (channel.connection === null) return { kind: 'mark', mark: readMark(data, this.#path) };
    this.#messages++;
    this.#bytes += data.length;
    return { kind: 'chunk', connection: channel.connection, chunk: { data, atMs: channel.times!.atMs(view, at + 6) } };
  }

  #fromLibrary(): RecordingItem | null {
    let record: McapTypes.TypedMcapRecord | undefined;
    try {
      record = this.#library.nextRecord();
    } catch (thrown) {
      return this.#damaged(thrown);
    }
    if (!record) {
      this.#isLibraryFed = false;
      return null;
    }
    switch (record.type) {
      case 'Header':
        if (record.profile !== RECORDING_PROFILE) {
          throw new TorsiondError('INPUT_FORMAT', `this MCAP file was made by another program (profile "${record.profile}", library "${record.library}")`, { where: this.#path });
        }
        this.#isOurs = true;
        return null;
      case 'Channel': return this.#channel(record);
      case 'Message': return this.#loneMessage(record);
      case 'Statistics': return this.#isAll(record.channelMessageCounts) ? null : this.#incomplete();
      default: return BESIDE.has(record.type) ? null : this.#incomplete();
    }
  }

  #channel(record: McapTypes.TypedMcapRecords['Channel']): RecordingItem | null {
    const { id, topic, messageEncoding, metadata } = record;
    if (this.#channels.has(id)) return null;
    const isMarks = topic === MARKS_TOPIC;
    // Torque is for viewers.
    const connection = messageEncoding === BYTES_ENCODING ? readConnection(metadata, this.#path) : null;
    this.#channels.set(id, { connection, times: connection && new MessageTimes(connection), isMarks, next: 0 });
    return connection && { kind: 'connection', connection };
  }

  /** A message outside of any chunk: not as our recorder writes it, but a recording all the same. */
  #loneMessage({ channelId, sequence, logTime, data }: McapTypes.TypedMcapRecords['Message']): RecordingItem | null {
    const record = new DataView(new ArrayBuffer(MESSAGE_HEAD_BYTES + data.byteLength));
    record.setUint16(0, channelId, true);
    record.setUint32(2, sequence, true);
    record.setBigUint64(6, logTime, true);
    new Uint8Array(record.buffer).set(data, MESSAGE_HEAD_BYTES);
    return this.#message(record, 0, record.byteLength);
  }

  /** As many messages of each channel as the recorder wrote. */
  #isAll(written: ReadonlyMap<number, bigint>): boolean {
    return [...written].every(([id, count]) => BigInt(this.#channels.get(id)?.next ?? -1) === count);
  }

  #damaged(cause?: unknown): RecordingItem {
    return this.#cut('a record in it is damaged', cause);
  }

  #incomplete(): RecordingItem {
    return this.#cut('a part of it is missing or damaged');
  }

  /** @throws TorsiondError INPUT_FORMAT when nothing said yet that it is a recording */
  #cut(what: string, cause?: unknown): RecordingItem {
    this.#isOver = true;
    if (!this.#isOurs) throw new TorsiondError('INPUT_FORMAT', 'this is no MCAP file', { where: this.#path, cause });
    return { kind: 'cut', error: new TorsiondError('INPUT_CUT', `the recording was cut: ${what}; read were ${this.#messages} chunks with ${this.#bytes} bytes`, { where: this.#path }) };
  }
}

/** Where the records of a chunk begin that is not compressed; -1: the library has to look at it. */
function recordsFrom(view: DataView): number {
  const compression = HEAD_BYTES + 28;
  return view.byteLength >= compression + 12 && view.getUint32(compression, true) === 0 ? compression + 12 : -1;
}

/** Whether it is whole; what it says a reader from the beginning need not know. */
function isMessageIndex(view: DataView): boolean {
  const entries = HEAD_BYTES + 6;
  if (view.byteLength < entries) return false;
  const size = view.getUint32(HEAD_BYTES + 2, true);
  return size % 16 === 0 && entries + size <= view.byteLength;
}
