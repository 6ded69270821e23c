/**
 * One daemon per data directory. The lock is an exclusive SQLite transaction on a file of its own, held open: the
 * operating system drops it with the process, however that ends, so there is no stale lock. A second file says who holds
 * it, for the message only. The lock file is never opened by anything but SQLite: closing any other handle on it would
 * drop the lock of the whole process (POSIX).
 */
import { readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { hostname } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { TorsiondError } from '../../shared/errors.ts';
import { storeError } from './database.ts';

interface Owner {
  readonly pid: number;
  readonly host: string;
  readonly startedAt: string;
}

export interface OwnerLock {
  release(): void;
}

/**
 * @param startedAt ISO 8601, told to whoever comes second
 * @throws TorsiondError STORE_IN_USE naming the process that has it; STORE_FAILED where locks do not work
 */
export function lockDataDirectory(directory: string, startedAt: string): OwnerLock {
  const lockPath = join(directory, 'torsiond.lock');
  const ownerPath = join(directory, 'torsiond.owner.json');
  let db: Database.Database | null = null;
  try {
    db = new Database(lockPath, { timeout: 0 });
    db.exec('BEGIN EXCLUSIVE');
    const owner: Owner = { pid: process.pid, host: hostname(), startedAt };
    writeFileSync(`${ownerPath}.new`, `${JSON.stringify(owner)}\n`, { mode: 0o600 });
    renameSync(`${ownerPath}.new`, ownerPath);
  } catch (thrown) {
    db?.close();
    const code = (thrown as { code?: unknown }).code;
    if (code === 'SQLITE_BUSY') throw new TorsiondError('STORE_IN_USE', `${describe(ownerPath)} uses this data directory`, { where: directory });
    throw storeError(thrown, lockPath);
  }
  const held = db;
  return {
    release: () => {
      if (!held.open) return;
      rmSync(ownerPath, { force: true });
      held.close();
    },
  };
}

function describe(ownerPath: string): string {
  try {
    const owner = JSON.parse(readFileSync(ownerPath, 'utf8')) as Owner;
    const here = owner.host === hostname();
    // Whoever took the lock a moment ago has not replaced the note of a process that was killed.
    if (here && !isAlive(owner.pid)) throw new Error('left behind');
    const where = here ? '' : ` on ${owner.host}`;
    return `process ${owner.pid}${where}, started ${owner.startedAt},`;
  } catch {
    return 'another process, which has not said yet which,';
  }
}

function isAlive(pid: number): boolean {
  try {
    return process.kill(pid, 0);
  } catch (thrown) {
    return (thrown as { code?: unknown }).code === 'EPERM';
  }
}
