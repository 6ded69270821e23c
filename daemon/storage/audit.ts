/** Walks the record chain and names every record that is not as it was stored. See `chain.ts` for what that proves. */
import type Database from 'better-sqlite3';
import { hex, NO_HASH, noteHash, readingHash, sameBytes, traceDigest } from './chain.ts';
import { GUARDS } from './migrations/index.ts';
import type { NoteRow, ReadingRow } from './records.ts';
import type { ChainReport } from './store.ts';

const PAGE = 100;
/** More are counted in the last fault's text, not listed. */
const MOST_FAULTS = 1_000;

type JoinedRow = ReadingRow & { readonly header: string | null; readonly samples: Uint8Array | null };
type JoinedNote = NoteRow & { readonly reading_hash: Uint8Array | null; readonly reading_id: string | null };
interface Head {
  readonly last: number;
  readonly hash: Uint8Array;
}

/**
 * Checks what stands in the file when it begins; what is stored meanwhile is left for the next audit.
 * Yields the share done, 0 to 1, after each page.
 */
export function* auditSteps(db: Database.Database): Generator<number, ChainReport> {
  const faults = new Faults();
  const scope = readScope(db);
  for (const guard of GUARDS) if (!scope.guards.has(guard)) faults.add(0, `the trigger ${guard}, which refuses changes, is missing`);
  for (const chain of ['readings', 'notes']) if (!scope.heads.has(chain)) faults.add(0, `the end of the chain of ${chain} is not noted`);

  const page = db.prepare<[number, number], JoinedRow>(`
    SELECT readings.*, header, samples FROM readings LEFT JOIN traces USING (seq) WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ${PAGE}`);
  const tracePage = db.prepare<[number, number], number>('SELECT seq FROM traces WHERE seq > ? AND seq <= ? ORDER BY seq').pluck();
  let records = 0;
  let reached: Head = { last: scope.firstSeq - 1, hash: NO_HASH };
  try {
    for (;;) {
      const from = reached.last;
      const rows = page.all(from, scope.lastSeq);
      for (const row of rows) {
        checkReading(row, reached, faults);
        reached = { last: row.seq, hash: row.hash };
        records += 1;
      }
      const known = new Set(rows.map((row) => row.seq));
      const isLast = rows.length < PAGE;
      for (const seq of tracePage.all(from, isLast ? scope.lastSeq : reached.last)) if (!known.has(seq)) faults.add(seq, 'a trace stands here without its reading');
      if (isLast) break;
      yield Math.max(0, Math.min(1, reached.last / scope.lastSeq));
    }
    checkEnd('', reached, scope.heads.get('readings'), faults, (place) => place);
    checkNotes(db, scope, faults);
  } catch (thrown) {
    faults.add(reached.last + 1, `the file cannot be read on from here: ${(thrown as Error).message}`);
  }
  return { records, lastSeq: Math.max(0, reached.last), head: hex(reached.hash), faults: faults.list() };
}

interface Scope {
  readonly heads: ReadonlyMap<string, Head>;
  readonly guards: ReadonlySet<string>;
  readonly firstSeq: number;
  readonly lastSeq: number;
  readonly lastNote: number;
}

/** In one read transaction, so that heads and records belong together although a daemon may be storing. */
function readScope(db: Database.Database): Scope {
  const number = (statement: string): number => db.prepare<[], number>(statement).pluck().get()!;
  return db.transaction(() => ({
    heads: new Map(db.prepare<[], Head & { chain: string }>('SELECT chain, last, hash FROM heads').all().map((head) => [head.chain, head])),
    guards: new Set(db.prepare<[], string>("SELECT name FROM sqlite_schema WHERE type = 'trigger'").pluck().all()),
    firstSeq: Math.min(1, number('SELECT coalesce(min(seq), 1) FROM readings')),
    lastSeq: number('SELECT max((SELECT coalesce(max(seq), 0) FROM readings), (SELECT coalesce(max(seq), 0) FROM traces))'),
    lastNote: number('SELECT coalesce(max(number), 0) FROM notes'),
  }))();
}

function checkReading(row: JoinedRow, before: Head, faults: Faults): void {
  const { seq } = row;
  if (seq !== before.last + 1) faults.add(before.last + 1, missing(before.last + 1, seq - 1));
  else if (!sameBytes(row.previous, before.hash)) faults.add(seq, 'does not follow the record before it: one was put in, taken out, moved or made anew');
  if (row.header === null || row.samples === null) faults.add(seq, 'its trace is missing');
  else if (!sameBytes(traceDigest(row.header, row.samples), row.trace_digest)) faults.add(seq, 'its trace was changed');
  if (!sameBytes(readingHash({ seq, storedMs: row.stored_ms, previous: row.previous, traceDigest: row.trace_digest, reading: row.reading }), row.hash)) {
    faults.add(seq, 'was changed: its content does not give its hash');
  }
  const reading = parsed(row.reading);
  if (reading === null || reading.id !== row.id || reading.channel !== row.channel || Date.parse(String(reading.startedAt)) !== row.started_ms) {
    faults.add(seq, 'has columns that do not say the same as the reading');
  }
}

function checkEnd(label: string, reached: Head, noted: Head | undefined, faults: Faults, seqOf: (place: number) => number): void {
  if (noted === undefined) return;
  if (reached.last < noted.last) faults.add(seqOf(reached.last + 1), label + missing(reached.last + 1, noted.last));
  else if (reached.last > noted.last) faults.add(seqOf(noted.last + 1), `${label}records go on behind the noted end of the chain, ${noted.last}`);
  else if (!sameBytes(reached.hash, noted.hash)) faults.add(seqOf(reached.last), `${label}the last record is not the one noted as the end of the chain`);
}

function checkNotes(db: Database.Database, scope: Scope, faults: Faults): void {
  const page = db.prepare<[number, number], JoinedNote>(`
    SELECT notes.*, readings.hash AS reading_hash, readings.id AS reading_id FROM notes LEFT JOIN readings ON readings.seq = reading_seq
    WHERE number > ? AND number <= ? ORDER BY number LIMIT ${PAGE}`);
  let reached: Head = { last: 0, hash: NO_HASH };
  for (;;) {
    const rows = page.all(reached.last, scope.lastNote);
    for (const row of rows) {
      checkNote(row, reached, faults);
      reached = { last: row.number, hash: row.hash };
    }
    if (rows.length < PAGE) break;
  }
  checkEnd('of the notes, ', reached, scope.heads.get('notes'), faults, () => 0);
}

function checkNote(row: JoinedNote, before: Head, faults: Faults): void {
  const label = `note ${row.number} `;
  if (row.number !== before.last + 1) faults.add(row.reading_seq, `of the notes, ${missing(before.last + 1, row.number - 1)}`);
  else if (!sameBytes(row.previous, before.hash)) faults.add(row.reading_seq, `${label}does not follow the note before it`);
  if (row.reading_hash === null) faults.add(row.reading_seq, `${label}is about a reading that is missing`);
  else if (!sameBytes(noteHash({ number: row.number, previous: row.previous, readingHash: row.reading_hash, note: row.note }), row.hash)) {
    faults.add(row.reading_seq, `${label}was changed, or is about another reading`);
  }
  const note = parsed(row.note);
  if (note === null || note.number !== row.number || note.id !== row.id || (row.reading_id !== null && note.readingId !== row.reading_id)) {
    faults.add(row.reading_seq, `${label}has columns that do not say the same as the note`);
  }
}

function missing(from: number, to: number): string {
  return from === to ? `record ${from} is missing` : `records ${from} to ${to} are missing`;
}

function parsed(text: string): Record<string, unknown> | null {
  try {
    const value: unknown = JSON.parse(text);
    return typeof value === 'object' && value !== null ? value as Record<string, unknown> : null;
  } catch {
    return null;
  }
}

class Faults {
  readonly #list: { seq: number; what: string }[] = [];
  #more = 0;

  add(seq: number, what: string): void {
    if (this.#list.length < MOST_FAULTS) this.#list.push({ seq, what });
    else this.#more += 1;
  }

  list(): { seq: number; what: string }[] {
    return this.#more === 0 ? this.#list : [...this.#list, { seq: this.#list.at(-1)!.seq, what: `${this.#more} more faults follow` }];
  }
}
