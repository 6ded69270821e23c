/** Readers that go away, terminals that are closed, and what is left behind. Real pipes: those of Node are sockets. */
import { spawn, spawnSync } from 'node:child_process';
import { existsSync, openSync, closeSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { createServer, type AddressInfo } from 'node:net';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it, onTestFinished } from 'vitest';
import { isRunning } from '../helpers/processes.ts';
import { startTorsiond } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const ENTRY = fileURLToPath(new URL('../../daemon/torsiond.mjs', import.meta.url));
const LIMIT_MS = 25_000;

interface Piped {
  /** Of torsiond itself. */
  readonly pid: () => number;
  readonly exitCode: Promise<number>;
  readonly stderr: () => string;
  /** What it left in its folder for temporary things. */
  readonly left: () => string[];
}

/** Runs `torsiond ARGS` with its streams as the shell text says; `$torsiond` there is the command. */
function piped(shell: string, args: readonly string[]): Piped {
  const folder = tempFolder();
  const tmp = tempFolder();
  const file = (name: string): string => join(folder, name);
  const text = (name: string): string => (existsSync(file(name)) ? readFileSync(file(name), 'utf8') : '');
  spawnSync('mkfifo', [file('gate')]);
  // The command waits for the gate, so that its reader can be gone for certain before it writes.
  writeFileSync(file('torsiond'), `#!/bin/sh\nread _ < "$FOLDER/gate"\nsh -c 'echo $$ > "$FOLDER/pid"; exec "$@"' sh "$NODE" "$ENTRY" "$@"\necho $? > "$FOLDER/code.part"; mv "$FOLDER/code.part" "$FOLDER/code"\n`);
  const child = spawn('sh', ['-c', shell, 'sh', ...args], {
    env: { ...process.env, FOLDER: folder, NODE: process.execPath, ENTRY, TMPDIR: tmp, torsiond: `sh ${file('torsiond')}` }, stdio: 'ignore', detached: true,
  });
  const ended = new Promise<void>((resolve) => child.once('close', () => resolve()));
  onTestFinished(async () => {
    if (child.exitCode === null && child.signalCode === null) process.kill(-child.pid!, 'SIGKILL');
    await ended;
  });
  const pid = (): number => Number(text('pid'));
  return {
    pid,
    exitCode: waitUntil(() => existsSync(file('code')), `"${args.join(' ')}" to end`, LIMIT_MS).then(() => Number(text('code'))),
    stderr: () => text('stderr'),
    left: () => readdirSync(tmp),
  };
}

describe('a reader of standard output that goes away', () => {
  const AFTER_ONE_LINE = 'echo > "$FOLDER/gate" & $torsiond "$@" 2> "$FOLDER/stderr" | head -1';
  const BEFORE_ANYTHING = '$torsiond "$@" 2> "$FOLDER/stderr" | { exec 0<&-; echo > "$FOLDER/gate"; }';

  it.each([
    [['simulate', 'pulse-tool', '--settings']],
    [['simulate', 'bench', '--settings']],
    [['simulate', 'single-click-wrench', '--tcp', '--json']],
  ])('ends %j, which has said what it had to say, cleanly', async (args) => {
    const command = piped(AFTER_ONE_LINE, args);
    expect(await command.exitCode).toBe(0);
    expect(command.stderr()).toMatch(/Running; stop with Ctrl-C\.\n$/);
    expect(command.left()).toEqual([]);
  });

  it.each([
    [['help']],
    [['simulate', '--list']],
    [['simulate', 'bench']],
    [['ports']],
    [['start', '--demo', '--port', '0']],
  ])('before the first line ends %j with what a shell shows for SIGPIPE, without a word, and tidily', async (args) => {
    const command = piped(BEFORE_ANYTHING, args);
    expect(await command.exitCode).toBe(141);
    expect(command.stderr()).not.toMatch(/INTERNAL|EPIPE|ReaderGone/);
    expect(command.left()).toEqual([]);
  });

  it('does not hide what the command found', async () => {
    const folder = tempFolder();
    writeFileSync(join(folder, 's.yaml'), 'server: { prot: 1 }\n');
    expect(await piped(BEFORE_ANYTHING, ['check-config', join(folder, 's.yaml')]).exitCode).toBe(78);
  });

  it('breaks a long output off', async () => {
    const folder = tempFolder();
    const rows = Array.from({ length: 60_000 }, (_, i) => `${i / 1_000},${i % 1_000 < 500 ? 0 : 20}`);
    writeFileSync(join(folder, 'trace.csv'), ['time,torque', ...rows].join('\n'));
    const command = piped(BEFORE_ANYTHING, ['replay', join(folder, 'trace.csv'), '--mode', 'peak', '--capacity', '30', '--json']);
    expect(await command.exitCode).toBe(141);
    expect(command.stderr()).not.toMatch(/INTERNAL|EPIPE|ReaderGone/);
  });
});

describe('a reader of standard error that goes away', () => {
  it('ends nothing, and the command still stops at SIGTERM', async () => {
    const command = piped('$torsiond "$@" 2>&1 > "$FOLDER/stdout" | { exec 0<&-; echo > "$FOLDER/gate"; }', ['simulate', 'bench']);
    await waitUntil(() => command.left().length > 0, 'the instruments to run', LIMIT_MS);
    process.kill(command.pid(), 'SIGTERM');
    expect(await command.exitCode).toBe(0);
    expect(command.left()).toEqual([]);
  });

  it('keeps no command from its end', async () => {
    const command = piped('$torsiond "$@" 2>&1 > /dev/null | { exec 0<&-; echo > "$FOLDER/gate"; }', ['start', '--port', '70000']);
    expect(await command.exitCode).toBe(64);
  });
});

describe('SIGHUP, as when the terminal is closed, and SIGTERM', () => {
  it.each([
    ['SIGHUP', ['simulate', 'bench']], ['SIGTERM', ['simulate', 'bench']],
    ['SIGHUP', ['start', '--demo', '--port', '0']],
  ] as const)('%s stops %j cleanly', async (signal, args) => {
    const tmp = tempFolder();
    const command = startTorsiond(args, { TMPDIR: tmp });
    await waitUntil(() => /stop with Ctrl-C/.test(command.stdout() + command.stderr()), 'it to run', LIMIT_MS);
    expect(readdirSync(tmp)).not.toEqual([]);
    command.process.kill(signal);
    // System and shell both send it.
    command.process.kill(signal);
    expect(await command.finished).toMatchObject({ exitCode: 0, signal: null });
    expect(readdirSync(tmp)).toEqual([]);
  });

  it.each(['SIGHUP', 'SIGTERM'] as const)('%s stops a probe, which then does not say that the port is silent', async (signal) => {
    let connections = 0;
    const server = createServer(() => connections++);
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
    onTestFinished(() => void server.close());
    const command = startTorsiond(['probe', `127.0.0.1:${(server.address() as AddressInfo).port}`, '--seconds', '60', '--no-ask']);
    await waitUntil(() => connections > 0, 'the probe to listen', LIMIT_MS);
    command.process.kill(signal);
    expect(await command.finished).toMatchObject({ exitCode: 0, stdout: '', stderr: 'Stopped before there was anything to say about the port.\n' });
  });

  it('in a terminal that is gone leave nothing running', async () => {
    const tmp = tempFolder();
    const folder = tempFolder();
    // Python makes the terminal, tells the process behind it, and closes the terminal when the command runs.
    const script = `
import os, pty, sys
pid, master = pty.fork()
if pid == 0:
    os.execv(sys.argv[1], sys.argv[1:])
told = b''
while b'stop with Ctrl-C' not in told:
    told += os.read(master, 4096)
os.close(master)
_, status = os.waitpid(pid, 0)
print(status)
`;
    const out = openSync(join(folder, 'out'), 'w');
    const child = spawn('python3', ['-c', script, process.execPath, ENTRY, 'simulate', 'bench', '--settings'], { env: { ...process.env, TMPDIR: tmp }, stdio: ['ignore', out, 'ignore'], detached: true });
    closeSync(out);
    const ended = new Promise<void>((resolve) => child.once('close', () => resolve()));
    onTestFinished(async () => {
      if (isRunning(child.pid!) && child.exitCode === null) process.kill(-child.pid!, 'SIGKILL');
      await ended;
    });
    await ended;
    expect(readFileSync(join(folder, 'out'), 'utf8')).toBe('0\n');
    expect(readdirSync(tmp)).toEqual([]);
  });
});
