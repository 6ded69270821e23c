/** From nothing to the first stored reading, and back to nothing: the real command, as a person starts it. How soon is measured in the bench. */
import { readdirSync, readFileSync, realpathSync } from 'node:fs';
import { createServer } from 'node:net';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it, onTestFinished } from 'vitest';
import { openStore } from '../../daemon/storage/open-store.ts';
import { connect, type ClientEvents, type TorsiondClient } from '../../shared/client/index.ts';
import { ServerMessage } from '../../shared/wire/events.ts';
import { startBrowser } from '../helpers/page-harness/browser.ts';
import { childrenOf, isRunning, openFilesOf } from '../helpers/processes.ts';
import { startTorsiond, torsiond, type RunningCommand } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const PAGE_LINE = /^The page is at (http:\/\/127\.0\.0\.1:(\d+)\/) - stop with Ctrl-C\.\n$/;

interface Started {
  readonly command: RunningCommand;
  readonly pid: number;
  readonly url: string;
  readonly port: number;
}

async function started(args: readonly string[], env: Record<string, string> = {}): Promise<Started> {
  const command = startTorsiond(['start', '--demo', '--port', '0', ...args], env);
  await waitUntil(() => command.stdout().includes('\n') || command.process.exitCode !== null, 'the line with the address');
  const line = PAGE_LINE.exec(command.stdout());
  if (!line) throw new Error(`not the one line: ${command.stdout()}${command.stderr()}`);
  return { command, pid: command.process.pid!, url: line[1]!, port: Number(line[2]) };
}

function client(url: string, token: string, since = 0): { client: TorsiondClient; stored: ClientEvents['reading.stored'][] } {
  const made = connect({ url, token, since, schema: ServerMessage });
  onTestFinished(() => made.close());
  const stored: ClientEvents['reading.stored'][] = [];
  made.on('reading.stored', (event) => stored.push(event));
  made.on('fault', ({ what }) => expect.fail(what));
  return { client: made, stored };
}

const isFree = (port: number): Promise<boolean> => new Promise((resolve) => {
  const server = createServer().once('error', () => resolve(false)).listen(port, '127.0.0.1', () => server.close(() => resolve(true)));
});

describe('torsiond start --demo', () => {
  it('gives stored readings of a click wrench that came through serialport on a pseudo terminal, and ends without a trace', async () => {
    const temporary = tempFolder();
    const { command, pid, url, port } = await started([], { TMPDIR: temporary });

    const answer = await fetch(url);
    const page = await answer.text();
    expect(answer.status).toBe(200);
    expect(page).toMatch(/<!doctype html>/i);
    const token = /<meta name="torsiond-token" content="([^"]+)">/.exec(page)?.[1];
    expect(token).toBeDefined();

    const { client: listener, stored } = client(url, token!);
    const hello = await listener.connected();
    const fromWrench = (): ClientEvents['reading.stored'][] => stored.filter(({ reading }) => reading.channel === 'bench-a/1');
    await waitUntil(() => fromWrench().length > 0, 'a stored reading of the click wrench');
    const { reading } = fromWrench()[0]!;
    expect(reading).toMatchObject({ mode: 'first-peak', unit: 'N.m', direction: 'cw', click: true, target: 50, source: null });
    expect(reading.flags).toContain('simulated');
    expect(reading.value).toBeGreaterThan(45);
    expect(stored.map(({ seq }) => seq)).toEqual(stored.map((_, i) => i + 1));

    // The port is a pseudo terminal that the daemon has open, and the native part of `serialport` is in the process.
    const { link } = hello.instruments.find(({ id }) => id === 'bench-a')!;
    const terminal = realpathSync(link);
    expect(terminal).toMatch(/^\/dev\/pts\/\d+$/);
    expect(openFilesOf(pid)).toContain(terminal);
    expect(readFileSync(`/proc/${pid}/maps`, 'utf8')).toContain('@serialport/bindings-cpp/');

    const helpers = childrenOf(pid);
    expect(helpers.length).toBe(4);
    command.process.kill('SIGINT');
    expect(await command.finished).toMatchObject({ exitCode: 0, signal: null });
    expect(command.stdout()).toMatch(PAGE_LINE);
    await waitUntil(() => !helpers.some(isRunning), 'the processes behind the pseudo terminals to end');
    expect(readdirSync(temporary)).toEqual([]);
    expect(await isFree(port)).toBe(true);
  });

  it('shows the readings on the page at the printed address', async () => {
    const [{ url }, browser] = await Promise.all([started([]), startBrowser()]);
    onTestFinished(() => browser.close());
    const page = await browser.newPage();
    await page.goto(url);
    const row = page.locator('tr[data-reading]', { hasText: 'Crank bolt wrench' }).first();
    await row.waitFor({ timeout: 60_000 });
    expect(await row.innerText()).toMatch(/\d\d\.\d+/);
  });

  it('takes a token made beside it, gives the lock back, and goes on counting where it stopped', async () => {
    const data = tempFolder();
    const first = await started(['--data', data]);
    const made = await torsiond('token', 'create', '--scope', 'read', '--data', data, '--json');
    const { token } = JSON.parse(made.stdout) as { token: string };
    const before = client(first.url, token);
    await waitUntil(() => before.stored.length >= 2, 'two readings');
    await expect(before.client.zero('bench-a/1')).rejects.toMatchObject({ code: 'ACCESS_SCOPE' });
    first.command.process.kill('SIGTERM');
    expect(await first.command.finished).toMatchObject({ exitCode: 0 });
    const ids = before.stored.map(({ reading }) => reading.id);
    before.client.close();

    const store = await openStore(data); // nobody has the lock
    const kept = await store.readings({});
    expect(kept.slice(0, ids.length).map(({ reading }) => reading.id)).toEqual(ids);
    await store.close();

    const second = await started(['--data', data]);
    const after = client(second.url, token);
    await waitUntil(() => after.stored.length > kept.length, 'a reading after those of the first run');
    expect(after.stored.map(({ seq }) => seq)).toEqual(after.stored.map((_, i) => i + 1));
    expect(after.stored.slice(0, kept.length).map(({ reading }) => reading.id)).toEqual(kept.map(({ reading }) => reading.id));
  });

  it('ends at once at a second signal, however long the first stop would take', async () => {
    const data = tempFolder();
    const { command, pid } = await started(['--data', data]);
    // Somebody keeps the data file locked: what was read cannot be stored, and a clean stop has to wait for it.
    const other = new Database(join(data, 'torsiond.db'));
    onTestFinished(() => void other.close());
    other.exec('BEGIN IMMEDIATE');
    const { token } = JSON.parse((await torsiond('token', 'create', '--scope', 'read', '--data', data, '--json')).stdout) as { token: string };
    const captured: string[] = [];
    const listener = connect({ url: PAGE_LINE.exec(command.stdout())![1]!, token });
    onTestFinished(() => listener.close());
    listener.on('reading.captured', ({ reading }) => captured.push(reading.id));
    await waitUntil(() => captured.length > 0, 'a reading that waits');

    const helpers = childrenOf(pid);
    command.process.kill('SIGINT');
    // Within half a second a second signal is taken for the same Ctrl-C, passed on by npm.
    const sinceMs = performance.now();
    await waitUntil(() => performance.now() - sinceMs > 600, 'another Ctrl-C to be another one');
    expect(command.process.exitCode).toBeNull();
    command.process.kill('SIGINT');
    // Ended by the signal itself, which a shell shows as 130, while the file is still locked: a clean stop would wait for ever.
    expect(await command.finished).toMatchObject({ exitCode: null, signal: 'SIGINT' });
    await waitUntil(() => !helpers.some(isRunning), 'the processes behind the pseudo terminals to end');
  });
});
