/**
 * MCAP records into a sink, in chunks with checksum and index. The library's own writer keeps chunks until they are full,
 * however slowly they fill; here one ends whenever `cut` is called, so that what came is soon where it belongs.
 */
import { crc32 } from 'node:zlib';
import { McapRecordBuilder } from '@mcap/core';
import type { ByteSink } from './byte-sink.ts';
import { McapSummary } from './mcap-summary.ts';
import { RECORDING_PROFILE } from './recording-format.ts';

export interface ChannelShape {
  readonly topic: string;
  readonly encoding: string;
  readonly schema: { readonly name: string; readonly text: string };
  readonly metadata?: Map<string, string>;
}

export class RecordingOutput {
  readonly #sink: ByteSink;
  readonly #summary = new McapSummary();
  readonly #chunk = new McapRecordBuilder();
  readonly #index = new Map<number, [bigint, bigint][]>();
  readonly #schemas = new Map<string, number>();
  readonly #sequences: number[] = [];
  #firstNs: bigint | null = null;
  #lastNs = 0n;
  #ready: Uint8Array[] = [];

  constructor(sink: ByteSink) {
    this.#sink = sink;
  }

  /** Bytes that wait for `cut`. */
  get waiting(): number {
    return this.#chunk.length;
  }

  begin(library: string): void {
    const records = new McapRecordBuilder();
    records.writeMagic();
    const magic = records.buffer.slice();
    records.reset();
    records.writeHeader({ profile: RECORDING_PROFILE, library });
    this.#add(magic, records.buffer);
  }

  /** @returns its id */
  channel({ topic, encoding, schema, metadata }: ChannelShape): number {
    let schemaId = this.#schemas.get(schema.name);
    if (schemaId === undefined) {
      schemaId = this.#schemas.size + 1;
      this.#schemas.set(schema.name, schemaId);
      this.#chunk.writeSchema({ id: schemaId, name: schema.name, encoding: 'jsonschema', data: new TextEncoder().encode(schema.text) });
    }
    const id = this.#sequences.length;
    this.#sequences.push(0);
    this.#chunk.writeChannel({ id, schemaId, topic, messageEncoding: encoding, metadata: metadata ?? new Map<string, string>() });
    return id;
  }

  /** Messages of a channel are numbered, so that a reader sees when some are missing. */
  message(channelId: number, atNs: bigint, data: Uint8Array): void {
    const index = this.#index.get(channelId) ?? [];
    this.#index.set(channelId, index);
    index.push([atNs, BigInt(this.#chunk.length)]);
    this.#chunk.writeMessage({ channelId, sequence: this.#sequences[channelId]!++, logTime: atNs, publishTime: atNs, data });
    this.#firstNs = this.#firstNs === null || atNs < this.#firstNs ? atNs : this.#firstNs;
    if (atNs > this.#lastNs) this.#lastNs = atNs;
  }

  /** Ends the present chunk: it leaves with the next `flush`. */
  cut(): void {
    if (this.#chunk.length === 0) return;
    const chunk = this.#chunk.buffer;
    const records = new McapRecordBuilder();
    records.writeChunk({
      messageStartTime: this.#firstNs ?? 0n, messageEndTime: this.#lastNs, uncompressedSize: BigInt(chunk.length), uncompressedCrc: crc32(chunk),
      compression: '', records: chunk,
    });
    this.#add(records.buffer);
    for (const [channelId, entries] of this.#index) {
      const index = new McapRecordBuilder();
      index.writeMessageIndex({ channelId, records: entries });
      this.#add(index.buffer);
    }
    this.#chunk.reset();
    this.#index.clear();
    this.#firstNs = null;
    this.#lastNs = 0n;
  }

  /** Ends the recording. */
  end(): void {
    this.cut();
    this.#ready.push(this.#summary.end());
  }

  async flush(): Promise<void> {
    if (this.#ready.length === 0) return;
    const bytes = this.#ready.length === 1 ? this.#ready[0]! : Buffer.concat(this.#ready);
    this.#ready = [];
    await this.#sink.write(bytes);
  }

  #add(...records: readonly Uint8Array[]): void {
    for (const record of records) {
      this.#summary.take(record);
      this.#ready.push(record);
    }
  }
}
