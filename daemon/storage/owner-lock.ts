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
import { isAlive } from '../is-alive.ts';
import { storeError } from './database.ts';

const OWNER_FILE = 'torsiond.owner.json';

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
  const ownerPath = join(directory, OWNER_FILE);
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
    if (code === 'SQLITE_BUSY') {
      const owner = describeOwner(directory) ?? 'another process, which has not said yet which';
      throw new TorsiondError('STORE_IN_USE', `${owner}, uses this data directory`, { where: directory });
    }
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

/** The process that is noted as the owner, as words; null when there is none, or one of this machine that is gone. */
export function describeOwner(directory: string): string | null {
  try {
    const owner = JSON.parse(readFileSync(join(directory, OWNER_FILE), 'utf8')) as Owner;
    const here = owner.host === hostname();
    // One that was killed leaves its note behind, until the next has taken the lock.
    if (here && !isAlive(owner.pid)) return null;
    return `process ${owner.pid}${here ? '' : ` on ${owner.host}`}, started ${owner.startedAt}`;
  } catch {
    return null;
  }
}
