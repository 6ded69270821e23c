/** Between readings with their traces and the rows of the data file. */
import type { Reading } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { hex, traceDigest } from './chain.ts';
import { exactJson } from './exact-json.ts';
import type { NewNote, StoredNote } from './notes.ts';
import type { StoredReading } from './store.ts';
import { decodeSamples, encodeSamples } from './trace-codec.ts';

export interface ReadingRow {
  readonly seq: number;
  readonly id: string;
  readonly channel: string;
  readonly started_ms: number;
  readonly stored_ms: number;
  readonly reading: string;
  readonly trace_digest: Uint8Array;
  readonly previous: Uint8Array;
  readonly hash: Uint8Array;
}

export interface TraceRow {
  readonly seq: number;
  readonly header: string;
  readonly samples: Uint8Array;
}

export interface NoteRow {
  readonly number: number;
  readonly id: string;
  readonly reading_seq: number;
  readonly note: string;
  readonly previous: Uint8Array;
  readonly hash: Uint8Array;
}

/** A reading with its trace as it is handed to the writer: everything but the samples is text already. */
export interface NewRecord {
  readonly id: string;
  readonly channel: string;
  readonly startedMs: number;
  /** JSON of the reading without its place, which the writer gives. */
  readonly reading: string;
  /** JSON of the trace without its samples. */
  readonly header: string;
  readonly device: Float64Array;
  readonly status: Uint8Array | null;
}

/** What the writer answers to a stored one. */
export interface Receipt {
  readonly seq: number;
  readonly storedMs: number;
  readonly hash: string;
}

/** A record made ready for the file, all but its place in the chain. */
export interface Prepared extends NewRecord {
  readonly samples: Uint8Array;
  readonly traceDigest: Uint8Array;
}

/** @throws TorsiondError INTERNAL when reading or trace hold what JSON cannot: such a one is not stored */
export function newRecord(reading: Reading, trace: Trace): NewRecord {
  const { device, status, ...described } = trace;
  try {
    return { id: reading.id, channel: reading.channel, startedMs: Date.parse(reading.startedAt), reading: exactJson({ ...reading, seq: undefined }), header: exactJson(described), device, status };
  } catch (thrown) {
    throw new TorsiondError('INTERNAL', `a reading that JSON cannot hold was not stored: ${(thrown as Error).message}`, { where: reading.id, cause: thrown });
  }
}

/** The slow part, done before the transaction begins. */
export function prepare(record: NewRecord): Prepared {
  const samples = encodeSamples(record.device, record.status);
  return { ...record, samples, traceDigest: traceDigest(record.header, samples) };
}

export function storedReading(row: Pick<ReadingRow, 'seq' | 'reading' | 'stored_ms' | 'hash'>): StoredReading {
  return { reading: placed(JSON.parse(row.reading) as Reading, row.seq), storedAtMs: row.stored_ms, hash: hex(row.hash) };
}

/** With its place, in the order in which people know the fields. */
export function placed(reading: Reading, seq: number): Reading {
  const { type, id } = reading;
  return { ...{ type, id, seq }, ...reading, seq };
}

/** @throws TorsiondError STORE_CHAIN when the samples are damaged */
export function storedTrace(row: Pick<TraceRow, 'header' | 'samples'>): Trace {
  return { ...(JSON.parse(row.header) as Omit<Trace, 'device' | 'status'>), ...decodeSamples(row.samples) };
}

export function noteText(note: NewNote, number: number, at: string): string {
  return exactJson({ number, id: note.id, readingId: note.readingId, kind: note.kind, text: note.text, who: note.who, at });
}

export function storedNote(row: Pick<NoteRow, 'note' | 'hash'>): StoredNote {
  return { ...(JSON.parse(row.note) as Omit<StoredNote, 'hash'>), hash: hex(row.hash) };
}
