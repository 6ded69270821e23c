/** The one writer of the data file. Synchronous; runs in the store's worker. */
import { statfsSync } from 'node:fs';
import { dirname } from 'node:path';
import { isDeepStrictEqual } from 'node:util';
import type Database from 'better-sqlite3';
import { asTorsiondError, TorsiondError } from '../../shared/errors.ts';
import { hex, noteHash, readingHash, sameBytes } from './chain.ts';
import { checkDurability, openForWriting, storeError, type OpenOptions } from './database.ts';
import type { NewNote, StoredNote } from './notes.ts';
import { type NewRecord, type NoteRow, noteText, prepare, type Prepared, type ReadingRow, type Receipt, storedNote, storedTrace, type TraceRow } from './records.ts';

/** Free disk below which an I/O error counts as a full disk, and which a probe wants to see. */
const LEAST_FREE_BYTES = 2 * 2 ** 20;
/** Pages a probe wants to see below the limit of the file. */
const LEAST_FREE_PAGES = 16;

export type AppendOutcome = { readonly stored: Receipt } | { readonly error: TorsiondError };

interface Head {
  readonly last: number;
  readonly hash: Uint8Array;
}

export class Writer {
  readonly #path: string;
  readonly #db: Database.Database;
  readonly #statements;
  #durabilityChecked = false;

  /** @throws TorsiondError as `openForWriting` */
  constructor(path: string, options: OpenOptions = {}) {
    this.#path = path;
    this.#db = openForWriting(path, options);
    const db = this.#db;
    this.#statements = {
      head: db.prepare<[string], Head>('SELECT last, hash FROM heads WHERE chain = ?'),
      moveHead: db.prepare<[number, Uint8Array, string]>('UPDATE heads SET last = ?, hash = ? WHERE chain = ?'),
      lastReading: db.prepare<[], Head>('SELECT seq AS last, hash FROM readings ORDER BY seq DESC LIMIT 1'),
      lastNote: db.prepare<[], Head>('SELECT number AS last, hash FROM notes ORDER BY number DESC LIMIT 1'),
      reading: db.prepare<[string], ReadingRow>('SELECT * FROM readings WHERE id = ?'),
      trace: db.prepare<[number], TraceRow>('SELECT * FROM traces WHERE seq = ?'),
      note: db.prepare<[string], NoteRow>('SELECT * FROM notes WHERE id = ?'),
      addReading: db.prepare<[number, string, string, number, number, string, Uint8Array, Uint8Array, Uint8Array]>('INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)'),
      addTrace: db.prepare<[number, string, Uint8Array]>('INSERT INTO traces VALUES (?, ?, ?)'),
      addNote: db.prepare<[number, string, number, string, Uint8Array, Uint8Array]>('INSERT INTO notes VALUES (?, ?, ?, ?, ?, ?)'),
    };
  }

  get lastSeq(): number {
    return this.#head('readings').last;
  }

  /**
   * Stores all of the batch in one transaction and returns after its commit. A reading that cannot be stored by its own
   * fault has its error in its place and does not hold up the others.
   * @throws TorsiondError STORE_FULL, STORE_FAILED when nothing of the batch was stored
   */
  append(batch: readonly NewRecord[], storedMs: number): AppendOutcome[] {
    const ready = batch.map((item): Prepared | TorsiondError => {
      try {
        return prepare(item);
      } catch (thrown) {
        return asTorsiondError(thrown);
      }
    });
    return this.#transaction(() => {
      const before = this.#head('readings');
      let head = before;
      const outcomes = ready.map((prepared): AppendOutcome => {
        if (prepared instanceof TorsiondError) return { error: prepared };
        const existing = this.#statements.reading.get(prepared.id);
        if (existing !== undefined) return this.#again(existing, prepared);
        head = this.#insert(prepared, head, storedMs);
        return { stored: { seq: head.last, storedMs, hash: hex(head.hash) } };
      });
      if (head !== before) this.#statements.moveHead.run(head.last, head.hash, 'readings');
      return outcomes;
    });
  }

  /** @throws TorsiondError READING_UNKNOWN, STORE_FULL, STORE_FAILED */
  addNote(note: NewNote, at: string): StoredNote {
    return this.#transaction(() => {
      const reading = this.#statements.reading.get(note.readingId);
      if (reading === undefined) throw new TorsiondError('READING_UNKNOWN', `there is no reading ${note.readingId}`);
      const existing = this.#statements.note.get(note.id);
      if (existing !== undefined) {
        const stored = storedNote(existing);
        if (noteText(note, stored.number, stored.at) === existing.note) return stored;
        throw new TorsiondError('STORE_FAILED', `another note with the id ${note.id} is stored already`, { hint: 'Give each note an id of its own.' });
      }
      const head = this.#head('notes');
      const number = head.last + 1;
      const text = noteText(note, number, at);
      const hash = noteHash({ number, previous: head.hash, readingHash: reading.hash, note: text });
      this.#statements.addNote.run(number, note.id, reading.seq, text, head.hash, hash);
      this.#statements.moveHead.run(number, hash, 'notes');
      return storedNote({ note: text, hash });
    });
  }

  /**
   * Whether readings can be stored again: free disk, free pages, and a commit that reaches the disk.
   * @throws TorsiondError STORE_FULL, STORE_FAILED
   */
  probe(): void {
    const freePages = this.#pragma('max_page_count') - this.#pragma('page_count') + this.#pragma('freelist_count');
    if (freePages < LEAST_FREE_PAGES) throw new TorsiondError('STORE_FULL', 'the database has reached its page limit', { where: this.#path });
    if (this.#freeBytes() < LEAST_FREE_BYTES) throw new TorsiondError('STORE_FULL', 'the disk is full', { where: this.#path });
    this.#transaction(() => {
      const head = this.#head('readings');
      this.#statements.moveHead.run(head.last, head.hash, 'readings');
    });
  }

  /** Pages the file may have; a way to a full disk for tests. */
  limitPages(pages: number): void {
    this.#db.pragma(`max_page_count = ${pages}`);
  }

  close(): void {
    this.#db.close();
  }

  #insert(record: Prepared, head: Head, storedMs: number): Head {
    const seq = head.last + 1;
    const hash = readingHash({ seq, storedMs, previous: head.hash, traceDigest: record.traceDigest, reading: record.reading });
    this.#statements.addReading.run(seq, record.id, record.channel, record.startedMs, storedMs, record.reading, record.traceDigest, head.hash, hash);
    this.#statements.addTrace.run(seq, record.header, record.samples);
    return { last: seq, hash };
  }

  /** The same id again: after an answer that was lost, the same reading is handed over once more. */
  #again(existing: ReadingRow, record: Prepared): AppendOutcome {
    const isSame = record.reading === existing.reading || isDeepStrictEqual(JSON.parse(record.reading), JSON.parse(existing.reading));
    if (isSame && this.#sameTrace(existing, record)) return { stored: { seq: existing.seq, storedMs: existing.stored_ms, hash: hex(existing.hash) } };
    return {
      error: new TorsiondError('STORE_FAILED', `another reading with the id ${existing.id} is stored already as number ${existing.seq}`, {
        where: this.#path, hint: 'The stored one was kept. Give each reading an id of its own.',
      }),
    };
  }

  #sameTrace(existing: ReadingRow, prepared: Prepared): boolean {
    if (sameBytes(existing.trace_digest, prepared.traceDigest)) return true;
    // Another release may deflate to other bytes.
    const row = this.#statements.trace.get(existing.seq);
    return row !== undefined && isDeepStrictEqual(storedTrace(row), storedTrace(prepared));
  }

  /**
   * The end of a chain. When a record was taken off the end by other hands, the chain goes on from where it was, so that
   * the hole stays visible; when the head was turned back, it goes on after the last record.
   */
  #head(chain: 'readings' | 'notes'): Head {
    const noted = this.#statements.head.get(chain);
    const last = (chain === 'readings' ? this.#statements.lastReading : this.#statements.lastNote).get();
    if (noted === undefined) throw new TorsiondError('STORE_FAILED', `the head of the chain of ${chain} is missing`, { where: this.#path, hint: 'The file was changed by other hands. Keep it and restore a backup.' });
    return last !== undefined && last.last > noted.last ? last : noted;
  }

  #transaction<T>(work: () => T): T {
    try {
      this.#db.exec('BEGIN IMMEDIATE');
      const result = work();
      this.#db.exec('COMMIT');
      if (!this.#durabilityChecked) {
        checkDurability(this.#db, this.#path);
        this.#durabilityChecked = true;
      }
      return result;
    } catch (thrown) {
      if (this.#db.inTransaction) this.#db.exec('ROLLBACK');
      const error = storeError(thrown, this.#path);
      // Some ways of running out of room come as a plain I/O error.
      if (error.code === 'STORE_FAILED' && error.message.includes('[SQLITE_IOERR') && this.#freeBytes() < LEAST_FREE_BYTES) {
        throw new TorsiondError('STORE_FULL', error.message, { where: this.#path, cause: thrown });
      }
      throw error;
    }
  }

  #pragma(name: string): number {
    return this.#db.pragma(name, { simple: true }) as number;
  }

  #freeBytes(): number {
    const { bavail, bsize } = statfsSync(dirname(this.#path));
    return bavail * bsize;
  }
}
