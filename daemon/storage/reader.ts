/** Queries on a read-only connection. Synchronous and short: each is one read transaction of a bounded page. */
import type Database from 'better-sqlite3';
import type { Trace } from '../../shared/trace.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { auditSteps } from './audit.ts';
import { openForReading, storeError } from './database.ts';
import type { StoredNote } from './notes.ts';
import { type NoteRow, type ReadingRow, storedNote, storedReading, storedTrace, type TraceRow } from './records.ts';
import type { ChainReport, ReadingQuery, StoredReading } from './store.ts';

const DEFAULT_LIMIT = 200;
const HIGHEST_LIMIT = 1_000;

export class Reader {
  readonly #path: string;
  readonly #db: Database.Database;

  /** @throws TorsiondError as `openForReading` */
  constructor(path: string) {
    this.#path = path;
    this.#db = openForReading(path);
  }

  get lastSeq(): number {
    return this.#run(() => this.#db.prepare<[], number>('SELECT coalesce(max(seq), 0) FROM readings').pluck().get()!);
  }

  /** @throws TorsiondError MESSAGE_INVALID, STORE_FAILED */
  readings(query: ReadingQuery): StoredReading[] {
    const afterSeq = wholeNumber('afterSeq', query.afterSeq ?? 0, 0, Number.MAX_SAFE_INTEGER);
    const limit = wholeNumber('limit', query.limit ?? DEFAULT_LIMIT, 1, HIGHEST_LIMIT);
    const conditions = ['seq > :afterSeq'];
    const values: Record<string, string | number> = { afterSeq, limit };
    if (query.channel !== undefined) {
      conditions.push('channel = :channel');
      values.channel = query.channel;
    }
    if (query.since !== undefined) {
      values.sinceMs = Date.parse(query.since);
      if (Number.isNaN(values.sinceMs)) throw new TorsiondError('MESSAGE_INVALID', `since is no time: ${query.since}`, { where: 'since', hint: 'Give a time as 2026-11-25T08:00:00Z.' });
      // The lower bound from the index of times spares walking over all that is older.
      conditions.push('seq >= (SELECT min(seq) FROM readings WHERE started_ms >= :sinceMs)', 'started_ms >= :sinceMs');
    }
    const order = query.order === 'newest' ? 'DESC' : 'ASC';
    const statement = `SELECT seq, reading, stored_ms, hash FROM readings WHERE ${conditions.join(' AND ')} ORDER BY seq ${order} LIMIT :limit`;
    return this.#run(() => this.#db.prepare<[typeof values], ReadingRow>(statement).all(values).map(storedReading));
  }

  reading(id: string): StoredReading | null {
    const row = this.#run(() => this.#db.prepare<[string], ReadingRow>('SELECT seq, reading, stored_ms, hash FROM readings WHERE id = ?').get(id));
    return row === undefined ? null : storedReading(row);
  }

  /** @throws TorsiondError STORE_CHAIN when the stored samples are damaged */
  trace(readingId: string): Trace | null {
    const row = this.#run(() => this.#db.prepare<[string], TraceRow>(
      'SELECT header, samples FROM traces WHERE seq = (SELECT seq FROM readings WHERE id = ?)',
    ).get(readingId));
    return row === undefined ? null : storedTrace(row);
  }

  notes(readingId: string): StoredNote[] {
    return this.#run(() => this.#db.prepare<[string], NoteRow>(
      'SELECT note, hash FROM notes WHERE reading_seq = (SELECT seq FROM readings WHERE id = ?) ORDER BY number',
    ).all(readingId).map(storedNote));
  }

  /** One step per page of records, so that other queries get in between. */
  audit(): Generator<number, ChainReport> {
    return auditSteps(this.#db);
  }

  close(): void {
    this.#db.close();
  }

  #run<T>(work: () => T): T {
    try {
      return work();
    } catch (thrown) {
      throw storeError(thrown, this.#path);
    }
  }
}

function wholeNumber(name: string, value: number, lowest: number, highest: number): number {
  if (Number.isInteger(value) && value >= lowest && value <= highest) return value;
  throw new TorsiondError('MESSAGE_INVALID', `${name} is ${value}; a whole number from ${lowest} to ${highest} is allowed`, { where: name });
}
