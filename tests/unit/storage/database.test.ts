import { copyFileSync, existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { APPLICATION_ID, openForReading, openForWriting } from '../../../daemon/storage/database.ts';
import { MIGRATIONS, SCHEMA_VERSION } from '../../../daemon/storage/migrations/index.ts';
import { openStore, openStoreReadOnly } from '../../../daemon/storage/open-store.ts';
import { FIXTURE_PULL, FIXTURE_READINGS, SCHEMA_1_EVIDENCE } from '../../fixtures/database-content.ts';
import { madeRecord, madeSamples } from '../../helpers/made-trace.ts';

const DATABASES = fileURLToPath(new URL('../../fixtures/databases/', import.meta.url));
let directory: string;
let path: string;
beforeEach(() => {
  directory = mkdtempSync(join(tmpdir(), 'torsiond-db-'));
  path = join(directory, 'torsiond.db');
});
afterEach(() => rmSync(directory, { recursive: true }));

const settingOf = (db: Database.Database, name: string): unknown => db.pragma(name, { simple: true });
const next = { version: SCHEMA_VERSION + 1, name: 'benches', sql: 'CREATE TABLE benches (id TEXT PRIMARY KEY) STRICT;' };
const broken = { version: SCHEMA_VERSION + 2, name: 'breaks', sql: 'CREATE TABLE more (id TEXT) STRICT; INSERT INTO nowhere VALUES (1);' };

describe('a connection', () => {
  it('has WAL and synchronous=FULL, still after writes, and is marked as ours', () => {
    const db = openForWriting(path);
    expect(settingOf(db, 'journal_mode')).toBe('wal');
    expect(settingOf(db, 'synchronous')).toBe(2);
    db.prepare("UPDATE heads SET last = 0 WHERE chain = 'notes'").run();
    expect(settingOf(db, 'synchronous')).toBe(2);
    expect(settingOf(db, 'foreign_keys')).toBe(1);
    expect(settingOf(db, 'journal_size_limit')).toBe(64 * 2 ** 20);
    expect(settingOf(db, 'application_id')).toBe(APPLICATION_ID);
    expect(settingOf(db, 'user_version')).toBe(SCHEMA_VERSION);
    const loose = db.prepare<[], string>("SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND strict = 0 AND name NOT LIKE 'sqlite%'").pluck().all();
    expect(loose).toEqual([]);
    const reader = openForReading(path);
    expect(settingOf(reader, 'synchronous')).toBe(2);
    expect(() => reader.prepare("UPDATE heads SET last = 5 WHERE chain = 'notes'").run()).toThrow(/readonly/);
    reader.close();
    db.close();
    // A second start on the same file, where the library would be at NORMAL at once.
    const again = openForWriting(path);
    expect(settingOf(again, 'synchronous')).toBe(2);
    again.close();
  });
});

describe('a file that cannot be used', () => {
  const unchanged = (work: () => void): void => {
    const before = readFileSync(path);
    work();
    expect(readFileSync(path).equals(before)).toBe(true);
  };

  it('of a newer version is refused with both versions', () => {
    openForWriting(path, { migrations: [...MIGRATIONS, next] }).close();
    unchanged(() => {
      for (const open of [openForWriting, openForReading]) {
        expect(() => open(path)).toThrow(expect.objectContaining({ code: 'STORE_NEWER', message: `the database has schema ${SCHEMA_VERSION + 1}, this version knows up to ${SCHEMA_VERSION}` }));
      }
    });
  });

  it('of another program is refused and not touched', () => {
    const db = new Database(path);
    db.exec('CREATE TABLE recipes (name TEXT)');
    db.close();
    unchanged(() => expect(() => openForWriting(path)).toThrow(expect.objectContaining({ code: 'STORE_FAILED', message: expect.stringContaining('another program') as string })));
    expect(readdirSync(directory)).toEqual(['torsiond.db']);
  });

  it('that is no database is refused with a hint and not touched', () => {
    writeFileSync(path, 'time_s,torque_Nm\n'.repeat(400));
    unchanged(() => {
      expect(() => openForWriting(path)).toThrow(expect.objectContaining({ code: 'STORE_FAILED', where: path, hint: expect.stringContaining('restore a backup') as string }));
    });
  });

  it('is named by a start of the whole store too, and the directory is free afterwards', async () => {
    writeFileSync(path, 'no database at all, but long enough to be looked at'.repeat(40));
    await expect(openStore(directory)).rejects.toMatchObject({ code: 'STORE_FAILED', where: path });
    await expect(openStoreReadOnly(directory)).rejects.toMatchObject({ code: 'STORE_FAILED', where: path });
    rmSync(path);
    await (await openStore(directory)).close();
  });

  it('in a place that is no directory is named', async () => {
    writeFileSync(path, '');
    await expect(openStore(join(path, 'inner'))).rejects.toMatchObject({ code: 'STORE_FAILED', where: join(path, 'inner') });
  });

  it('that is empty, as after a kill at creation, becomes a database', () => {
    writeFileSync(path, '');
    const db = openForWriting(path);
    expect(settingOf(db, 'user_version')).toBe(SCHEMA_VERSION);
    db.close();
  });
});

describe('a migration', () => {
  const versions = (): { version: unknown; tables: string[] } => {
    const db = new Database(path, { readonly: true });
    const found = { version: settingOf(db, 'user_version'), tables: db.prepare<[], string>("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").pluck().all() };
    db.close();
    return found;
  };

  it('makes a backup first, named in the log, and brings the file up to date', () => {
    openForWriting(path).close();
    const before = versions();
    const lines: string[] = [];
    openForWriting(path, { migrations: [...MIGRATIONS, next], log: (line) => lines.push(line) }).close();
    expect(versions()).toEqual({ version: SCHEMA_VERSION + 1, tables: [...before.tables, 'benches'].sort() });
    const backup = `${path}.schema-${SCHEMA_VERSION}.backup`;
    expect(lines[0]).toContain(backup);
    const db = openForWriting(backup);
    expect(settingOf(db, 'user_version')).toBe(SCHEMA_VERSION);
    db.close();
  });

  it('that fails leaves the file as it was, all steps of it, and names step and backup', () => {
    openForWriting(path).close();
    const before = versions();
    const backup = `${path}.schema-${SCHEMA_VERSION}.backup`;
    const upgrade = (): unknown => openForWriting(path, { migrations: [...MIGRATIONS, next, broken] });
    expect(upgrade).toThrow(expect.objectContaining({ code: 'STORE_MIGRATION', message: expect.stringMatching(new RegExp(`step ${SCHEMA_VERSION + 2} \\(breaks\\) failed: no such table: nowhere .*as before, backup `)) as string }));
    expect(upgrade).toThrow(new RegExp(`schema-${SCHEMA_VERSION}-2\\.backup`));
    expect(existsSync(backup)).toBe(true);
    expect(versions()).toEqual(before);
    openForWriting(path).close();
  });

  it('is not begun when no backup can be made', () => {
    openForWriting(path).close();
    const before = versions();
    // A name that is too long for the file system makes every backup fail.
    const long = join(directory, `${'x'.repeat(240)}.db`);
    copyFileSync(path, long);
    expect(() => openForWriting(long, { migrations: [...MIGRATIONS, next] })).toThrow(expect.objectContaining({ code: 'STORE_MIGRATION', message: expect.stringContaining('no backup') as string }));
    copyFileSync(long, path);
    expect(versions()).toEqual(before);
  });

  it('is numbered without a hole, and each released schema has its committed database', () => {
    expect(MIGRATIONS.map((migration) => migration.version)).toEqual(MIGRATIONS.map((_, i) => i + 1));
    for (const { version } of MIGRATIONS) expect(existsSync(join(DATABASES, `schema-${version}.db`)), `schema ${version}`).toBe(true);
  });

  for (const name of readdirSync(DATABASES).filter((file) => file.endsWith('.db'))) {
    it(`brings the committed ${name} up to date with all that is in it`, async () => {
      copyFileSync(join(DATABASES, name), path);
      const store = await openStore(directory);
      expect(await store.audit()).toMatchObject({ records: FIXTURE_READINGS, lastSeq: FIXTURE_READINGS, faults: [] });
      const stored = await store.readings({});
      for (const [i, { reading }] of stored.entries()) {
        const device = madeSamples(FIXTURE_PULL, i);
        const made = madeRecord(i, device, i === 3 ? new Uint8Array(device.length).fill(2, 5, 9) : null);
        expect(reading).toEqual({ ...made.reading, seq: i + 1 });
        expect(await store.trace(reading.id)).toEqual(name === 'schema-1.db' ? { ...made.trace, evidence: SCHEMA_1_EVIDENCE } : made.trace);
      }
      expect((await store.notes(stored[2]!.reading.id)).map((note) => note.text)).toEqual(['Second pull, grip changed.']);
      const { reading, trace } = madeRecord(FIXTURE_READINGS, madeSamples(FIXTURE_PULL, 1));
      expect((await store.append(reading, trace)).reading.seq).toBe(FIXTURE_READINGS + 1);
      expect((await store.audit()).faults).toEqual([]);
      await store.close();
    });
  }
});
