/** Opens the data file: settings of a connection, checks before the first change, migrations with a backup first. */
import { closeSync, existsSync, fsyncSync, openSync } from 'node:fs';
import Database from 'better-sqlite3';
import { TorsiondError } from '../../shared/errors.ts';
import { MIGRATIONS, type Migration } from './migrations/index.ts';

/** "TqSt" in the file's header: an SQLite file of ours. */
export const APPLICATION_ID = 0x54_71_53_74;
/** The write-ahead log is cut back to this after a checkpoint, bytes. */
const WAL_LIMIT = 64 * 2 ** 20;
const BUSY_MS = 5_000;

export interface OpenOptions {
  readonly migrations?: readonly Migration[];
  readonly log?: (message: string) => void;
}

/**
 * For the one writer; creates the file, or brings it up to date.
 * @throws TorsiondError STORE_NEWER, STORE_MIGRATION, STORE_FAILED, STORE_FULL
 */
export function openForWriting(path: string, options: OpenOptions = {}): Database.Database {
  const migrations = options.migrations ?? MIGRATIONS;
  return opened(path, () => {
    if (!existsSync(path)) closeSync(openSync(path, 'a', 0o600));
    return new Database(path, { timeout: BUSY_MS });
  }, (db) => {
    const found = inspect(db, path, migrations);
    if (db.pragma('journal_mode = WAL', { simple: true }) !== 'wal') {
      throw new TorsiondError('STORE_FAILED', 'the file system does not carry a write-ahead log', { where: path, hint: 'Put the data directory on a local disk.' });
    }
    configure(db);
    migrate(db, path, found, migrations, options.log ?? (() => undefined));
    checkDurability(db, path);
  });
}

/**
 * For queries beside a running writer.
 * @throws TorsiondError INPUT_NOT_FOUND, STORE_NEWER, STORE_FAILED
 */
export function openForReading(path: string): Database.Database {
  if (!existsSync(path)) throw new TorsiondError('INPUT_NOT_FOUND', 'there is no database', { where: path, hint: 'Check --data; "torsiond start" makes the database.' });
  return opened(path, () => new Database(path, { readonly: true, fileMustExist: true, timeout: BUSY_MS }), (db) => {
    const found = inspect(db, path, MIGRATIONS);
    const wanted = MIGRATIONS.at(-1)!.version;
    if (found !== wanted) {
      throw new TorsiondError('STORE_FAILED', `the database has schema ${found}, this version reads ${wanted}`, {
        where: path, hint: 'Run "torsiond start" once on it: it brings the database up to date, with a backup first.',
      });
    }
    configure(db);
    db.pragma('query_only = ON');
  });
}

/** FULL must still be set after a write: the library goes back to NORMAL by itself when it was not set by name. */
export function checkDurability(db: Database.Database, path: string): void {
  const level = db.pragma('synchronous', { simple: true });
  if (level !== 2) throw new TorsiondError('STORE_FAILED', `the connection fell back to synchronous=${level}; a commit would not survive a power cut`, { where: path });
}

/** What SQLite threw, as one of ours. */
export function storeError(thrown: unknown, where: string): TorsiondError {
  if (thrown instanceof TorsiondError) return thrown;
  const code = (thrown as { code?: unknown } | null)?.code;
  const message = thrown instanceof Error ? thrown.message : String(thrown);
  if (code === 'SQLITE_FULL' || code === 'ENOSPC' || code === 'EDQUOT') return new TorsiondError('STORE_FULL', message, { where, cause: thrown });
  if (code === 'SQLITE_NOTADB' || code === 'SQLITE_CORRUPT') {
    return new TorsiondError('STORE_FAILED', `the file is damaged or no database of torsiond (${message})`, {
      where, hint: 'Move it away and keep it; then restore a backup, or start with a new database.', cause: thrown,
    });
  }
  return new TorsiondError('STORE_FAILED', typeof code === 'string' ? `${message} [${code}]` : message, { where, cause: thrown });
}

function opened(path: string, open: () => Database.Database, prepare: (db: Database.Database) => void): Database.Database {
  let db: Database.Database | null = null;
  try {
    db = open();
    prepare(db);
    return db;
  } catch (thrown) {
    db?.close();
    throw storeError(thrown, path);
  }
}

function configure(db: Database.Database): void {
  db.pragma('synchronous = FULL');
  db.pragma('foreign_keys = ON');
  db.pragma('recursive_triggers = ON');
  db.pragma('trusted_schema = OFF');
  db.pragma(`journal_size_limit = ${WAL_LIMIT}`);
}

/** The schema version found, 0 for an empty file. Reads only. */
function inspect(db: Database.Database, path: string, migrations: readonly Migration[]): number {
  const application = db.pragma('application_id', { simple: true }) as number;
  const version = db.pragma('user_version', { simple: true }) as number;
  const objects = db.prepare<[], number>('SELECT count(*) FROM sqlite_schema').pluck().get()!;
  if (application === 0 && version === 0 && objects === 0) return 0;
  if (application !== APPLICATION_ID) {
    throw new TorsiondError('STORE_FAILED', 'the file is a database of another program', { where: path, hint: 'Give another data directory, or move the file away.' });
  }
  const known = migrations.at(-1)!.version;
  if (version > known) throw new TorsiondError('STORE_NEWER', `the database has schema ${version}, this version knows up to ${known}`, { where: path });
  return version;
}

/** All missing migrations in one transaction with the version number: after a failure the file is as it was. */
function migrate(db: Database.Database, path: string, found: number, migrations: readonly Migration[], log: (message: string) => void): void {
  const missing = migrations.filter((migration) => migration.version > found);
  if (missing.length === 0) return;
  const backup = found === 0 ? null : makeBackup(db, path, found);
  if (backup !== null) log(`backup of schema ${found} made: ${backup}`);
  let at = missing[0]!;
  try {
    db.exec('BEGIN IMMEDIATE');
    for (at of missing) {
      db.exec(at.sql);
      db.pragma(`user_version = ${at.version}`);
    }
    const dangling = db.pragma('foreign_key_check') as unknown[];
    if (dangling.length > 0) throw new Error(`${dangling.length} rows refer to missing ones`);
    db.pragma(`application_id = ${APPLICATION_ID}`);
    db.exec('COMMIT');
  } catch (thrown) {
    if (db.inTransaction) db.exec('ROLLBACK');
    const error = storeError(thrown, path);
    if (found === 0) throw error;
    throw new TorsiondError('STORE_MIGRATION', `step ${at.version} (${at.name}) failed: ${error.message}; the database is as before, backup ${backup}`, { where: path, cause: thrown });
  }
  if (found > 0) log(`database brought from schema ${found} to ${missing.at(-1)!.version}`);
}

function makeBackup(db: Database.Database, path: string, version: number): string {
  let backup = `${path}.schema-${version}.backup`;
  for (let number = 2; existsSync(backup); number += 1) backup = `${path}.schema-${version}-${number}.backup`;
  try {
    db.prepare('VACUUM INTO ?').run(backup);
    // SQLite does not sync what VACUUM INTO wrote.
    const handle = openSync(backup, 'r+');
    fsyncSync(handle);
    closeSync(handle);
    return backup;
  } catch (thrown) {
    throw new TorsiondError('STORE_MIGRATION', `no backup could be made (${storeError(thrown, backup).message}); the database was not touched`, {
      where: path, hint: 'Make room or give the data directory write permission, then start again.', cause: thrown,
    });
  }
}
