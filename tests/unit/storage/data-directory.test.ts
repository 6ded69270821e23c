import { statSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { makeDataDirectory } from '../../../daemon/storage/data-directory.ts';
import { torsiond } from '../../helpers/run-torsiond.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

describe('the data directory', () => {
  it('is made with what lies above it, for its owner alone, and left as it is the next time', () => {
    const directory = join(tempFolder(), 'var/lib/torsiond');
    makeDataDirectory(directory);
    makeDataDirectory(directory);
    expect(statSync(directory).mode & 0o777).toBe(0o700);
  });

  it.each([
    ['a file', (folder: string): string => {
      writeFileSync(join(folder, 'file'), '');
      return join(folder, 'file');
    }, 'ENOTDIR'],
    ['below a file', (folder: string): string => {
      writeFileSync(join(folder, 'file'), '');
      return join(folder, 'file/data');
    }, 'ENOTDIR'],
    ['a link to nowhere', (folder: string): string => {
      symlinkSync(join(folder, 'nowhere'), join(folder, 'link'));
      return join(folder, 'link');
    }, 'ENOENT'],
  ])('that is %s is refused with the reason', (_what, make, code) => {
    const directory = make(tempFolder());
    expect(() => makeDataDirectory(directory)).toThrow(expect.objectContaining({ code: 'STORE_FAILED', message: `the data directory cannot be made (${code})`, where: directory }));
  });

  it('where the system takes no folders is refused, and not tried for ever', async () => {
    const { exitCode, stderr } = await torsiond('start', '--data', '/proc/torsiond', '--port', '0');
    expect(exitCode).toBe(74);
    expect(stderr).toMatch(/^STORE_FAILED the data directory cannot be made \(E[A-Z]+\) \(\/proc\/torsiond\)\. .*\n$/);
  });
});
