/** What runs before and after the tests: the look for programs, and the count that .ci/run ends with. */
import { spawnSync } from 'node:child_process';
import { chmodSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { PROJECT_ROOT, readProjectFile } from '../helpers/project-files.ts';
import { tempFolder } from '../helpers/temp-folder.ts';

const run = (script: string, args: readonly string[], path?: string) =>
  spawnSync(process.execPath, [join(PROJECT_ROOT, 'tests/setup', script), ...args], { encoding: 'utf8', env: path === undefined ? process.env : { PATH: path } });

const program = (folder: string, name: string, text = ''): void => {
  writeFileSync(join(folder, name), `#!/bin/sh\n${text}\n`);
  chmodSync(join(folder, name), 0o755);
};

describe('needed-programs.mjs', () => {
  it('is silent when all is there', () => {
    expect(run('needed-programs.mjs', [])).toMatchObject({ status: 0, stdout: '', stderr: '' });
  });

  it('names what is missing and the one command, where it may not install', () => {
    const { status, stderr } = run('needed-programs.mjs', [], tempFolder());
    expect(status).toBe(1);
    expect(stderr).toMatch(/^Missing: socat or python3, needed for .*\n(Missing: .*\n)*Run: sudo apt-get install -y --no-install-recommends socat( chromium)?\n$/);
  });

  it('is content with either program for pseudo terminals', () => {
    const folder = tempFolder();
    program(folder, 'python3');
    expect(run('needed-programs.mjs', [], folder).stderr).not.toContain('socat or python3');
  });

  it('installs what is missing, and only that, where it may', () => {
    const folder = tempFolder();
    program(folder, 'apt-get', `echo "$@" >> ${folder}/calls; printf '#!/bin/sh\\n' > ${folder}/socat; /bin/chmod 755 ${folder}/socat`);
    const { status, stderr } = run('needed-programs.mjs', [], folder);
    const mayInstall = process.platform === 'linux' && process.getuid?.() === 0;
    expect(status).toBe(mayInstall ? 0 : 1);
    expect(stderr).toMatch(mayInstall ? /^The tests need socat: installing\.\n$/ : /^Missing: /);
  });
});

describe('count-result.mjs', () => {
  const count = (result: object): { status: number | null; stdout: string } => {
    const file = join(tempFolder(), 'result.json');
    writeFileSync(file, JSON.stringify({ numPassedTests: 0, numFailedTests: 0, numPendingTests: 0, numTodoTests: 0, success: true, testResults: [], ...result }));
    const { status, stdout } = run('count-result.mjs', [file]);
    return { status, stdout };
  };

  it('says what passed, and ends well', () => {
    expect(count({ numPassedTests: 12 })).toEqual({ status: 0, stdout: '12 passed, 0 failed\n' });
  });

  it('counts failures, and files that did not load', () => {
    expect(count({ numPassedTests: 12, numFailedTests: 2, success: false })).toEqual({ status: 1, stdout: '12 passed, 2 failed\n' });
    expect(count({ numPassedTests: 12, success: false, testResults: [{ status: 'failed', assertionResults: [] }] })).toEqual({ status: 1, stdout: '12 passed, 1 failed\n' });
  });

  it('ends badly when nothing ran, or when something outside the tests failed', () => {
    expect(count({}).status).toBe(1);
    expect(count({ numPassedTests: 3, success: false }).status).toBe(1);
  });

  it('tells what did not run on a line of its own', () => {
    expect(count({ numPassedTests: 3, numPendingTests: 1 })).toEqual({ status: 0, stdout: '1 not run\n3 passed, 0 failed\n' });
  });
});

it('.ci/run stops at the first fault and takes the count from the result of vitest', () => {
  const text = readProjectFile('.ci/run');
  expect(text).toContain('set -euo pipefail');
  for (const step of ['npm ci', 'npm run check', 'npm test', 'count-result.mjs']) expect(text).toContain(step);
});
