/** What passes between the store and its two workers, and errors on their way through. */
import type { Trace } from '../../shared/trace.ts';
import { type ErrorCode, TorsiondError } from '../../shared/errors.ts';
import type { NewNote, StoredNote } from './notes.ts';
import type { NewRecord, Receipt } from './records.ts';
import type { ChainReport, ReadingQuery, StoredReading } from './store.ts';

export interface WorkerStart {
  readonly role: 'writer' | 'reader';
  readonly path: string;
}

/** Request → answer, by kind. */
export interface Requests {
  append: {
    ask: { readonly batch: readonly NewRecord[]; readonly storedMs: number; readonly maxPages: number | null };
    answer: readonly ({ readonly stored: Receipt } | { readonly error: PlainError })[];
  };
  note: { ask: { readonly note: NewNote; readonly at: string }; answer: StoredNote };
  probe: { ask: { readonly maxPages: number | null }; answer: null };
  readings: { ask: { readonly query: ReadingQuery }; answer: readonly StoredReading[] };
  reading: { ask: { readonly id: string }; answer: StoredReading | null };
  trace: { ask: { readonly id: string }; answer: Trace | null };
  notes: { ask: { readonly id: string }; answer: readonly StoredNote[] };
  audit: { ask: object; answer: ChainReport };
  close: { ask: object; answer: null };
}
export type RequestKind = keyof Requests;

export type ToWorker = { [K in RequestKind]: { readonly call: number; readonly kind: K } & Requests[K]['ask'] }[RequestKind];

export type FromWorker =
  | { readonly opened: { readonly lastSeq: number } }
  | { readonly refused: PlainError }
  | { readonly log: string }
  | { readonly call: number; readonly progress: number }
  | { readonly call: number; readonly answer: unknown }
  | { readonly call: number; readonly error: PlainError };

export interface PlainError {
  readonly code: ErrorCode;
  readonly message: string;
  readonly where: string | null;
  readonly hint: string;
}

export function revived(plain: PlainError): TorsiondError {
  return new TorsiondError(plain.code, plain.message, plain.where === null ? { hint: plain.hint } : { where: plain.where, hint: plain.hint });
}
