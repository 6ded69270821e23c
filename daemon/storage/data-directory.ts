import { existsSync, mkdirSync, statSync } from 'node:fs';
import { dirname, resolve } from 'node:path';
import { TorsiondError } from '../../shared/errors.ts';

/**
 * Makes the data directory (mode 0700) and the folders above it, where they are missing. Step by step: the recursive
 * way of Node never returns where the system refuses new folders as if their parent were missing, as under /proc.
 * @throws TorsiondError STORE_FAILED, STORE_FULL
 */
export function makeDataDirectory(directory: string): void {
  try {
    const missing: string[] = [];
    for (let at = resolve(directory); !existsSync(at); at = dirname(at)) missing.unshift(at);
    for (const folder of missing) makeOne(folder);
    if (!statSync(directory).isDirectory()) throw Object.assign(new Error('not a folder'), { code: 'ENOTDIR' });
  } catch (thrown) {
    const code = (thrown as NodeJS.ErrnoException).code ?? String(thrown);
    throw new TorsiondError(code === 'ENOSPC' ? 'STORE_FULL' : 'STORE_FAILED', `the data directory cannot be made (${code})`, {
      where: directory, hint: 'Give another --data, or check room and permissions of the folder above it.', cause: thrown,
    });
  }
}

function makeOne(folder: string): void {
  try {
    mkdirSync(folder, { mode: 0o700 });
  } catch (thrown) {
    // Another process was quicker.
    if ((thrown as NodeJS.ErrnoException).code !== 'EEXIST') throw thrown;
  }
}
