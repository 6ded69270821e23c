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

/** A reading made ready for the file, all but its place in the chain. */
export interface Prepared {
  readonly reading: Reading;
  readonly startedMs: number;
  readonly header: string;
  readonly samples: Uint8Array;
  readonly traceDigest: Uint8Array;
}

/**
 * Does the slow part (encoding, digest) before the transaction begins.
 * @throws TorsiondError INTERNAL when the trace holds what JSON cannot: such a one is not stored
 */
export function prepare(reading: Reading, trace: Trace): Prepared {
  const { device, status, ...described } = trace;
  let header: string;
  try {
    header = exactJson(described);
  } catch (thrown) {
    throw new TorsiondError('INTERNAL', `a trace that JSON cannot hold was not stored: ${(thrown as Error).message}`, { where: reading.id, cause: thrown });
  }
  const samples = encodeSamples(device, status);
  return { reading, startedMs: Date.parse(reading.startedAt), header, samples, traceDigest: traceDigest(header, samples) };
}

export function readingText(reading: Reading, seq: number): string {
  return exactJson({ ...reading, seq });
}

export function storedReading(row: Pick<ReadingRow, 'reading' | 'stored_ms' | 'hash'>): StoredReading {
  return { reading: JSON.parse(row.reading) as Reading, storedAtMs: row.stored_ms, hash: hex(row.hash) };
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
