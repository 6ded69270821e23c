import { closeSync, openSync, mkdtempSync, realpathSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { basename, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { findLockHolders, findPortHolders } from '../../../../drivers/links/port-holder.ts';

let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'torsiond-holder-'));
});
afterEach(() => rmSync(folder, { recursive: true }));

describe.runIf(process.platform === 'linux')('who holds a port', () => {
  it('is nobody for a file that nobody has open', async () => {
    const path = join(folder, 'port');
    writeFileSync(path, '');
    expect(await findPortHolders(path)).toEqual([]);
    expect(await findLockHolders(path)).toEqual([]);
  });

  it('is found by its open descriptor, without a lock', async () => {
    const path = join(folder, 'port');
    writeFileSync(path, '');
    const fd = openSync(path, 'r');
    try {
      // The name of the program, not of its first thread.
      expect(await findPortHolders(path)).toContainEqual({ pid: process.pid, name: basename(realpathSync(process.execPath)) });
      expect(await findLockHolders(path)).toEqual([]);
    } finally {
      closeSync(fd);
    }
  });

  it('of a path that is not there is nobody', async () => {
    expect(await findPortHolders(join(folder, 'none'))).toEqual([]);
  });
});
