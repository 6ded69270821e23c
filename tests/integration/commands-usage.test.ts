import { execFile } from 'node:child_process';
import { chmodSync, mkdirSync, writeFileSync } from 'node:fs';
import { hostname } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { ERROR_TABLE } from '../../shared/errors.ts';
import { inProcess, startTorsiond, torsiond } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const ENTRY = fileURLToPath(new URL('../../daemon/torsiond.mjs', import.meta.url));

/** One line: code, what, where, hint. */
function expectLine(stderr: string, code: keyof typeof ERROR_TABLE, what: RegExp | string): void {
  const lines = stderr.trimEnd().split('\n');
  expect(lines).toHaveLength(1);
  expect(lines[0]!.startsWith(`${code} `)).toBe(true);
  expect(lines[0]).toMatch(what);
}

describe('the command line', () => {
  it.each([
    [[], 'no command is given'],
    [['nonsense'], 'unknown command'],
    [['replaay'], 'unknown command'],
    [['ports', '--nonsense'], 'unknown option'],
    [['check-config'], 'missing required argument'],
    [['token'], 'token needs one of its commands behind it. See "torsiond token --help".'],
    [['token', 'create'], '--scope'],
    [['token', 'create', '--scope', 'all'], 'Allowed choices are read, operate, configure'],
    [['export', '--format', 'pdf'], 'allowed are csv, ndjson'],
    [['export', '--format', 'csv', '--since', 'yesterday'], 'A day or a moment'],
    [['simulate'], 'no scenario is named'],
  ])('refuses %j with exit 64 and one line', async (args, what) => {
    const { exitCode, stdout, stderr } = await inProcess(...args);
    expect(exitCode).toBe(64);
    expect(stdout).toBe('');
    expectLine(stderr, 'USAGE', what);
  });

  it.each([
    [['recheck'], 'recheck'],
    [['export', '--format', 'pdf'], 'export'],
    [['replay', 'x.csv', '--low', '1'], 'replay'],
    [['token', 'create', '--scope', 'all'], 'token'],
  ])('%j is pointed to the help of its own command', async (args, command) => {
    const { exitCode, stderr } = await inProcess(...args);
    expect(exitCode).toBe(64);
    expect(stderr.trimEnd().endsWith(` See "torsiond ${command} --help".`)).toBe(true);
  });

  it('does the same as a process of its own', async () => {
    const { exitCode, stdout, stderr } = await torsiond('nonsense');
    expect(exitCode).toBe(64);
    expect(stdout).toBe('');
    expectLine(stderr, 'USAGE', 'unknown command');
  });

  it('prints help and version on standard output with exit 0', async () => {
    const help = await torsiond('--help');
    expect(help).toMatchObject({ exitCode: 0, stderr: '' });
    for (const command of ['ports', 'check-config', 'simulate', 'record', 'export', 'audit', 'token', 'diagnose']) expect(help.stdout).toContain(command);
    expect(await inProcess('--version')).toMatchObject({ exitCode: 0, stdout: '0.1.0\n', stderr: '' });
    expect((await inProcess('token', 'create', '--help')).stdout).toContain('--scope');
  });

  it('refuses an older Node in one line, whatever it can parse', async () => {
    // The version is the only thing that the check reads; a preload stands in for an older program.
    const preload = join(tempFolder(), 'older.cjs');
    writeFileSync(preload, "Object.defineProperty(process.versions, 'node', { value: '18.20.4' });\n");
    const result = await new Promise<{ code: unknown; stderr: string }>((resolve) => {
      execFile(process.execPath, ['--require', preload, ENTRY, '--version'], (error, _stdout, stderr) => resolve({ code: error?.code, stderr }));
    });
    expect(result.code).toBe(78);
    expectLine(result.stderr, 'NODE_UNSUPPORTED', 'this is Node 18.20.4');
  });

  it('names a native module that does not load', async () => {
    // A copy of the way in, beside a better-sqlite3 that is not built for this machine.
    const folder = tempFolder();
    mkdirSync(join(folder, 'node_modules/better-sqlite3'), { recursive: true });
    writeFileSync(join(folder, 'node_modules/better-sqlite3/index.js'), "throw new Error('invalid ELF header');\n");
    const { readFileSync } = await import('node:fs');
    const copy = join(folder, 'torsiond.mjs');
    writeFileSync(copy, readFileSync(ENTRY));
    chmodSync(copy, 0o755);
    const result = await new Promise<{ code: unknown; stderr: string }>((resolve) => {
      execFile(process.execPath, [copy, '--version'], (error, _stdout, stderr) => resolve({ code: error?.code, stderr }));
    });
    expect(result.code).toBe(78);
    expectLine(result.stderr, 'NATIVE_MODULE', 'better-sqlite3 does not load: invalid ELF header');
  });

  it.each([
    ['an exception', "setTimeout(() => { throw new Error('boom'); }, 300);"],
    ['a rejected promise', "setTimeout(() => { Promise.reject(new Error('boom')); }, 300);"],
  ])('ends with exit 70 and says so after %s that nothing foresaw', async (_what, code) => {
    const preload = join(tempFolder(), 'boom.cjs');
    writeFileSync(preload, code);
    const command = startTorsiond(['simulate', 'single-click-wrench', '--tcp'], { NODE_OPTIONS: `--require ${preload}` });
    const { exitCode, stderr } = await command.finished;
    expect(exitCode).toBe(70);
    expect(stderr).toMatch(/^INTERNAL boom\. This is a defect of torsiond\./m);
  });

  it('does not complain when whoever reads the output has had enough', async () => {
    const result = await new Promise<{ code: unknown; stderr: string }>((resolve) => {
      execFile('sh', ['-c', `"${process.execPath}" "${ENTRY}" simulate --list | true`], (error, _stdout, stderr) => resolve({ code: error?.code, stderr }));
    });
    expect(result.stderr).toBe('');
  });
});

describe('check-config', () => {
  const settings = (text: string): string => {
    const file = join(tempFolder(), 's.yaml');
    writeFileSync(file, text);
    return file;
  };

  it('says what is fine in one line', async () => {
    const file = settings('station: Hollin & Fenn\n');
    expect(await inProcess('check-config', file)).toMatchObject({ exitCode: 0, stderr: '', stdout: `${file}: fine; station "Hollin & Fenn", 0 instruments, 0 channels\n` });
  });

  it('names every fault by file, line, column and path, with exit 78', async () => {
    const file = settings(`server: { port: 99999 }
instruments:
  - id: bench-a
    link: { kind: serial, path: /dev/ttyUSB0, baudrate: 9600 }
    driver: { id: ascii-lines, options: { delimitr: ";" } }
    channels:
      - sampleRateHz: 200
        transducer: { serialNumber: HF-T-0001, capacity: 60 }
        capture: { mode: peak, filter: { kind: butterworth, order: 2, cutoffHz: 500 } }
`);
    const wrongShape = await torsiond('check-config', file);
    expect(wrongShape).toMatchObject({ exitCode: 78, stdout: '' });
    const lines = wrongShape.stderr.trimEnd().split('\n');
    expect(lines).toEqual([
      `${file}:1:17 server.port: is 99999; allowed is a whole number of at least 0 and at most 65535`,
      expect.stringMatching(/:4:47 instruments\[0\]\.link\.baudrate: is not a setting here; did you mean "baudRate"\? allowed are kind, path, baudRate/),
      expect.stringMatching(/:5:43 instruments\[0\]\.driver\.options\.delimitr: is not a setting here; did you mean "delimiter"\?/),
      expect.stringMatching(/:9:40 instruments\[0\]\.channels\[0\]\.capture\.filter: a low-pass of 500 Hz needs at least 1250 samples\/s/),
      expect.stringMatching(/^SETTINGS_INVALID 4 faults \(.*s\.yaml\)\. /),
    ]);
  });

  it('checks the driver\'s options and what the sample rate can carry', async () => {
    const file = settings(`instruments:
  - id: bench-a
    link: { kind: serial, path: /dev/ttyUSB0 }
    driver: { id: ascii-lines, options: { delimitr: ";" } }
    channels:
      - sampleRateHz: 200
        transducer: { serialNumber: HF-T-0001, capacity: 60 }
        capture: { mode: peak, filter: { kind: butterworth, order: 2, cutoffHz: 500 } }
`);
    const { exitCode, stderr } = await inProcess('check-config', file);
    expect(exitCode).toBe(78);
    expect(stderr).toMatch(/:4:43 instruments\[0\]\.driver\.options\.delimitr: is not a setting here; did you mean "delimiter"\?/);
    expect(stderr).toMatch(/:8:40 instruments\[0\]\.channels\[0\]\.capture\.filter: .*500 Hz/);
  });

  it('with --json prints one object per fault and nothing else on standard output', async () => {
    const file = settings('sation: x\n');
    const { exitCode, stdout } = await inProcess('check-config', file, '--json');
    expect(exitCode).toBe(78);
    expect(stdout.trimEnd().split('\n').map((line) => JSON.parse(line) as unknown)).toEqual([
      { type: 'fault', file, code: 'SETTINGS_INVALID', line: 1, column: 1, path: 'sation', message: expect.stringContaining('did you mean "station"') as string },
    ]);
  });

  it('of a file that is not there exits 66', async () => {
    const { exitCode, stderr } = await inProcess('check-config', '/nonexistent/s.yaml');
    expect(exitCode).toBe(66);
    expectLine(stderr, 'INPUT_NOT_FOUND', '/nonexistent/s.yaml');
  });
});

describe('token', () => {
  it('shows a new token once, lists it without, and revokes it', async () => {
    const data = tempFolder();
    const created = await torsiond('token', 'create', '--scope', 'operate', '--label', 'line display', '--data', data, '--json');
    const made = JSON.parse(created.stdout) as { id: string; token: string };
    expect(created).toMatchObject({ exitCode: 0, stderr: '' });
    expect(made).toMatchObject({ type: 'token', scope: 'operate', label: 'line display', token: expect.stringMatching(/^[\w-]{43}$/) as string });
    const listed = await inProcess('token', 'list', '--data', data);
    expect(listed.stdout).toContain('line display');
    expect(listed.stdout).not.toContain(made.token);
    expect(await inProcess('token', 'revoke', made.id, '--data', data)).toMatchObject({ exitCode: 0 });
    const again = await inProcess('token', 'revoke', made.id, '--data', data);
    expect(again.exitCode).toBe(ERROR_TABLE.TOKEN_UNKNOWN.exit);
    expectLine(again.stderr, 'TOKEN_UNKNOWN', made.id);
  });
});

describe('ports and diagnose', () => {
  it('list what there is, as JSON lines when asked', async () => {
    const { exitCode, stdout } = await inProcess('ports', '--json');
    expect(exitCode).toBe(0);
    for (const line of stdout.split('\n').filter((text) => text !== '')) expect(JSON.parse(line)).toHaveProperty('type');
  });

  it('diagnose works without settings, store and gateway, and keeps secrets', async () => {
    const data = tempFolder();
    writeFileSync(join(data, 'torsiond.yaml'), '# the password is hunter2\nstation: Hollin & Fenn # Bearer abc\nserver: { password: hunter2 }\npassphrase: "two words, hunter2"\n');
    // Left behind by a gateway that was killed; no process has that number.
    writeFileSync(join(data, 'torsiond.owner.json'), JSON.stringify({ pid: 2 ** 30, host: hostname(), startedAt: '2026-11-25T08:00:00.000Z' }));
    const { token } = JSON.parse((await inProcess('token', 'create', '--scope', 'read', '--data', data, '--json')).stdout) as { token: string };
    const { exitCode, stdout } = await inProcess('diagnose', '--data', data, '--url', 'http://127.0.0.1:9');
    expect(exitCode).toBe(0);
    for (const section of ['torsiond', 'machine', 'serial ports', 'USB and HID devices', 'settings', 'store', 'running gateway']) expect(stdout).toContain(`== ${section}\n`);
    expect(stdout).toContain('Node 24.');
    expect(stdout).toContain('station: Hollin & Fenn');
    expect(stdout).toContain('nothing answers at http://127.0.0.1:9');
    expect(stdout).toContain('no gateway runs on it');
    expect(stdout).not.toContain('hunter2');
    expect(stdout).not.toContain(token);
  });
});

describe('simulate', () => {
  it('says where to connect, runs until it is stopped, then ends cleanly', async () => {
    const command = startTorsiond(['simulate', 'single-click-wrench', '--tcp', '--json']);
    await waitUntil(() => command.stderr().includes('stop with Ctrl-C'), 'the instruments to run');
    const [instrument] = command.stdout().trimEnd().split('\n').map((line) => JSON.parse(line) as Record<string, unknown>);
    expect(instrument).toMatchObject({ type: 'instrument', address: { kind: 'tcp', host: '127.0.0.1', port: expect.any(Number) as number } });
    command.process.kill('SIGINT');
    expect(await command.finished).toMatchObject({ exitCode: 0, signal: null });
  });

  it('names the scenarios and refuses others', async () => {
    expect((await inProcess('simulate', '--list')).stdout).toContain('single-click-wrench');
    const { exitCode, stderr } = await inProcess('simulate', 'nonsense');
    expect(exitCode).toBe(66);
    expectLine(stderr, 'SIM_SCENARIO', 'single-click-wrench');
  });
});

describe('audit and export', () => {
  it('without a store say so with exit 66', async () => {
    for (const args of [['audit'], ['export', '--format', 'csv']]) {
      const { exitCode, stdout, stderr } = await inProcess(...args, '--data', tempFolder());
      expect(exitCode).toBe(66);
      expect(stdout).toBe('');
      expectLine(stderr, 'INPUT_NOT_FOUND', 'torsiond.db');
    }
  });
});
