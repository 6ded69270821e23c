import { closeSync, mkdtempSync, openSync, rmSync, writeSync } from 'node:fs';
import { createHash } from 'node:crypto';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Reader } from '../../../daemon/storage/reader.ts';
import { newRecord } from '../../../daemon/storage/records.ts';
import type { ChainReport } from '../../../daemon/storage/store.ts';
import { Writer } from '../../../daemon/storage/writer.ts';
import { GUARDS } from '../../../daemon/storage/migrations/index.ts';
import { madeRecord, madeSamples } from '../../helpers/made-trace.ts';

const samples = madeSamples({ seconds: 0.1, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 }, 1);
let directory: string;
let path: string;
beforeEach(() => {
  directory = mkdtempSync(join(tmpdir(), 'torsiond-audit-'));
  path = join(directory, 'torsiond.db');
});
afterEach(() => rmSync(directory, { recursive: true }));

const records = (from: number, to: number) => Array.from({ length: to - from }, (_, i) => {
  const { reading, trace } = madeRecord(from + i, samples);
  return newRecord(reading, trace);
});

function filled(count = 12): void {
  const writer = new Writer(path);
  writer.append(records(0, count), 1_795_000_000_000);
  for (let i = 1; i <= 3; i += 1) writer.addNote({ id: `note-${i}`, readingId: madeRecord(i, samples).reading.id, kind: 'comment', text: `Note ${i}`, who: 'Ines Hollin (invented)' }, '2026-11-25T09:00:00.000Z');
  writer.close();
}

function audit(): ChainReport {
  const reader = new Reader(path);
  try {
    const steps = reader.audit();
    for (;;) {
      const step = steps.next();
      if (step.done === true) return step.value;
    }
  } finally {
    reader.close();
  }
}

/** What someone does who has the file and knows SQL: takes the triggers away, changes, puts them back. */
function tamper(...statements: string[]): void {
  const db = new Database(path);
  db.pragma('foreign_keys = OFF');
  const triggers = db.prepare<[], { name: string; sql: string }>("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").all();
  for (const { name } of triggers) db.exec(`DROP TRIGGER ${name}`);
  for (const statement of statements) expect(db.prepare(statement).run().changes, statement).toBeGreaterThan(0);
  for (const { sql } of triggers) db.exec(sql);
  db.close();
}

const faultAt = (seq: number, what: RegExp) => expect.objectContaining({ seq, what: expect.stringMatching(what) as string }) as object;

describe('the record chain', () => {
  it('is sound over several pages, and its head is the last hash', () => {
    filled(350);
    const report = audit();
    expect(report).toMatchObject({ records: 350, lastSeq: 350, faults: [] });
    const db = new Database(path, { readonly: true });
    expect(report.head).toBe((db.prepare<[], Uint8Array>('SELECT hash FROM readings WHERE seq = 350').pluck().get()! as Buffer).toString('hex'));
    db.close();
  });

  it('is sound and headed by zeros when nothing is stored', () => {
    new Writer(path).close();
    expect(audit()).toEqual({ records: 0, lastSeq: 0, head: '0'.repeat(64), faults: [] });
  });

  it('can be computed anew by anyone from what stands in chain.ts', () => {
    filled();
    const db = new Database(path, { readonly: true });
    const rows = db.prepare<[], { seq: number; stored_ms: number; reading: string; header: string; samples: Buffer; hash: Buffer }>(
      'SELECT seq, stored_ms, reading, header, samples, hash FROM readings JOIN traces USING (seq) ORDER BY seq',
    ).all();
    db.close();
    const sha = (...parts: (string | Buffer)[]): string => createHash('sha256').update(Buffer.concat(parts.map((part) => Buffer.from(part)))).digest('hex');
    let previous = '0'.repeat(64);
    for (const row of rows) {
      const trace = sha(`torsiond trace 1\n${Buffer.byteLength(row.header)}\n`, row.header, row.samples);
      previous = sha(`torsiond reading 1\n${row.seq}\n${row.stored_ms}\n${previous}\n${trace}\n`, row.reading);
      expect(row.hash.toString('hex')).toBe(previous);
    }
    expect(audit().head).toBe(previous);
  });

  const changes: [string, string[], object[]][] = [
    ['a changed value', ["UPDATE readings SET reading = replace(reading, '57.9', '57.8') WHERE seq = 5"], [faultAt(5, /was changed/)]],
    ['a changed time of storing', ['UPDATE readings SET stored_ms = stored_ms + 1 WHERE seq = 5'], [faultAt(5, /was changed/)]],
    ['a column that says otherwise', ["UPDATE readings SET channel = 'bench-z/1' WHERE seq = 5"], [faultAt(5, /columns/)]],
    ['a changed description of a trace', ["UPDATE traces SET header = replace(header, '0.1.0', '0.1.1') WHERE seq = 5"], [faultAt(5, /trace was changed/)]],
    ['a changed trace', ["UPDATE traces SET samples = CAST(substr(samples, 1, 40) || x'5a5a5a5a' || substr(samples, 45) AS BLOB) WHERE seq = 5"], [faultAt(5, /trace was changed/)]],
    ['traces exchanged', ['UPDATE traces SET seq = 100 WHERE seq = 5', 'UPDATE traces SET seq = 5 WHERE seq = 6', 'UPDATE traces SET seq = 6 WHERE seq = 100'], [faultAt(5, /trace was changed/), faultAt(6, /trace was changed/)]],
    ['a trace taken out', ['DELETE FROM traces WHERE seq = 5'], [faultAt(5, /trace is missing/)]],
    ['a reading taken out', ['DELETE FROM readings WHERE seq = 5'], [faultAt(5, /record 5 is missing/), faultAt(5, /trace stands here without/)]],
    ['several taken out', ['DELETE FROM readings WHERE seq BETWEEN 5 AND 7', 'DELETE FROM traces WHERE seq BETWEEN 5 AND 7'], [faultAt(5, /records 5 to 7 are missing/)]],
    ['the first taken out', ['DELETE FROM readings WHERE seq = 1', 'DELETE FROM traces WHERE seq = 1'], [faultAt(1, /record 1 is missing/)]],
    ['the last taken out', ['DELETE FROM readings WHERE seq = 12', 'DELETE FROM traces WHERE seq = 12'], [faultAt(12, /record 12 is missing/)]],
    ['all taken out', ['DELETE FROM readings', 'DELETE FROM traces'], [faultAt(1, /records 1 to 12 are missing/)]],
    ['a reading taken out and the gap closed', [
      'DELETE FROM readings WHERE seq = 5', 'DELETE FROM traces WHERE seq = 5', 'UPDATE readings SET seq = 5 WHERE seq = 6', 'UPDATE traces SET seq = 5 WHERE seq = 6',
    ], [faultAt(5, /does not follow/), faultAt(5, /was changed/), faultAt(6, /record 6 is missing/)]],
    ['two exchanged', ['UPDATE readings SET seq = 100 WHERE seq = 5', 'UPDATE readings SET seq = 5 WHERE seq = 6', 'UPDATE readings SET seq = 6 WHERE seq = 100'], [faultAt(5, /was changed/), faultAt(6, /was changed/)]],
    ['one put in at the end', [
      "INSERT INTO readings SELECT 13, 'made-up', channel, started_ms, stored_ms, replace(reading, id, 'made-up'), trace_digest, hash, hash FROM readings WHERE seq = 12",
    ], [faultAt(13, /go on behind the noted end/)]],
    ['a head turned back', ["UPDATE heads SET last = 11 WHERE chain = 'readings'"], [faultAt(12, /behind the noted end/)]],
    ['a head of another hash', ["UPDATE heads SET hash = zeroblob(32) WHERE chain = 'readings'"], [faultAt(12, /not the one noted/)]],
    ['no head', ["DELETE FROM heads WHERE chain = 'readings'"], [faultAt(0, /is not noted/)]],
    ['a changed note', ["UPDATE notes SET note = replace(note, 'Note 2', 'Note 9') WHERE number = 2"], [faultAt(3, /note 2 was changed/)]],
    ['a note moved to another reading', ['UPDATE notes SET reading_seq = 9 WHERE number = 2'], [faultAt(9, /about another reading/)]],
    ['a note taken out', ['DELETE FROM notes WHERE number = 2'], [faultAt(4, /notes, record 2 is missing/)]],
    ['the last note taken out', ['DELETE FROM notes WHERE number = 3'], [faultAt(0, /notes, record 3 is missing/)]],
  ];
  for (const [what, statements, faults] of changes) {
    it(`names ${what}`, () => {
      filled();
      tamper(...statements);
      expect(audit().faults).toEqual(expect.arrayContaining(faults));
    });
  }

  it('names a record made anew at the next one, which does not follow it', () => {
    filled();
    const db = new Database(path);
    db.exec('DROP TRIGGER readings_keep');
    const row = db.prepare<[], { stored_ms: number; previous: Buffer; trace_digest: Buffer; reading: string }>('SELECT * FROM readings WHERE seq = 5').get()!;
    const reading = row.reading.replace('57.9', '57.8');
    const hash = createHash('sha256').update(`torsiond reading 1\n5\n${row.stored_ms}\n${row.previous.toString('hex')}\n${row.trace_digest.toString('hex')}\n${reading}`).digest();
    db.prepare('UPDATE readings SET reading = ?, hash = ? WHERE seq = 5').run(reading, hash);
    db.close();
    const { faults } = audit();
    expect(faults).toEqual([faultAt(0, /readings_keep.*missing/), faultAt(6, /does not follow/)]);
  });

  it('keeps a hole at the end visible after more was stored', () => {
    filled();
    tamper('DELETE FROM readings WHERE seq = 12', 'DELETE FROM traces WHERE seq = 12');
    const writer = new Writer(path);
    const [outcome] = writer.append(records(12, 13), 1_795_000_000_001);
    writer.close();
    expect(outcome).toMatchObject({ stored: { seq: 13 } });
    expect(audit().faults).toEqual([faultAt(12, /record 12 is missing/)]);
  });

  it('says from where a damaged file cannot be read', () => {
    filled(300);
    const db = new Database(path);
    db.pragma('wal_checkpoint(TRUNCATE)');
    const page = db.prepare<[], number>("SELECT pageno FROM dbstat WHERE name = 'readings' AND pagetype = 'leaf' ORDER BY path LIMIT 1 OFFSET 30").pluck().get()!;
    db.close();
    const file = openSync(path, 'r+');
    writeSync(file, Buffer.alloc(4_096, 0xee), 0, 4_096, (page - 1) * 4_096);
    closeSync(file);
    const { faults, records } = audit();
    expect(records).toBeLessThan(300);
    expect(faults).toEqual([faultAt(records + 1, /cannot be read on from here: database disk image is malformed/)]);
  });
});

describe('the data file itself', () => {
  it('refuses to change, delete or replace what is stored', () => {
    filled();
    const db = new Database(path);
    for (const statement of [
      "UPDATE readings SET channel = 'x' WHERE seq = 1", 'DELETE FROM readings WHERE seq = 1', 'REPLACE INTO readings SELECT * FROM readings WHERE seq = 1',
      'UPDATE traces SET header = header WHERE seq = 1', 'DELETE FROM traces', 'REPLACE INTO traces SELECT * FROM traces WHERE seq = 1',
      'UPDATE notes SET note = note', 'DELETE FROM notes', 'REPLACE INTO notes SELECT * FROM notes WHERE number = 1',
      'UPDATE heads SET last = last - 1', 'DELETE FROM heads',
    ]) {
      expect(() => db.prepare(statement).run(), statement).toThrow(/never|only grows/);
    }
    expect(db.prepare("SELECT count(*) FROM sqlite_schema WHERE type = 'trigger'").pluck().get()).toBe(GUARDS.length);
    db.close();
    expect(audit().faults).toEqual([]);
  });
});
