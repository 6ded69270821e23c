/** One daemon per data directory, whatever became of the one before. */
import { type ChildProcess, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { openStore } from '../../daemon/storage/open-store.ts';

const CHILD = fileURLToPath(new URL('../fixtures/store-child.ts', import.meta.url));
let directory: string;
const running = new Set<ChildProcess>();
beforeEach(() => { directory = mkdtempSync(join(tmpdir(), 'torsiond-owner-')); });
afterEach(() => {
  for (const child of running) child.kill('SIGKILL');
  rmSync(directory, { recursive: true });
});

interface Held {
  readonly child: ChildProcess;
  readonly opened: Promise<boolean>;
  readonly ended: Promise<{ code: number | null; stderr: string }>;
}

function hold(): Held {
  const child = spawn(process.execPath, [CHILD, directory, 'hold', ''], { stdio: ['pipe', 'pipe', 'pipe'], env: { ...process.env, NODE_OPTIONS: '' } });
  running.add(child);
  let stderr = '';
  child.stderr.on('data', (chunk: Buffer) => { stderr += chunk.toString(); });
  const ended = new Promise<{ code: number | null; stderr: string }>((resolve) => child.on('close', (code) => {
    running.delete(child);
    resolve({ code, stderr });
  }));
  const opened = new Promise<boolean>((resolve) => {
    child.stdout.once('data', () => resolve(true));
    void ended.then(() => resolve(false));
  });
  return { child, opened, ended };
}

describe('a second process on the same data directory', () => {
  it('ends with 75 and names the first; after kill -9 of the first the next one starts at once', async () => {
    const first = hold();
    expect(await first.opened).toBe(true);
    const second = hold();
    expect(await second.opened).toBe(false);
    const { code, stderr } = await second.ended;
    expect(code).toBe(75);
    expect(stderr).toMatch(/^STORE_IN_USE .*\n$/);
    expect(stderr).toContain(`process ${first.child.pid}, started 20`);
    expect(stderr).toContain(directory);

    first.child.kill('SIGKILL');
    await first.ended;
    expect(existsSync(join(directory, 'torsiond.owner.json'))).toBe(true);
    const third = hold();
    expect(await third.opened).toBe(true);
    // Closed in order, it leaves no trace of itself.
    third.child.stdin!.end();
    expect(await third.ended).toEqual({ code: 0, stderr: '' });
    expect(existsSync(join(directory, 'torsiond.owner.json'))).toBe(false);
  });

  it('is refused within one process too', async () => {
    const store = await openStore(directory);
    await expect(openStore(directory)).rejects.toMatchObject({ code: 'STORE_IN_USE', message: expect.stringContaining(`process ${process.pid}`) as string });
    await store.close();
    await (await openStore(directory)).close();
  });
});
