/**
 * The package as somebody installs it: built and packed by npm from the project's files alone, unpacked elsewhere, run by the
 * name of its command. In place of a download, the packages it depends on are linked from the repository, and no others.
 */
import { execFile, spawn } from 'node:child_process';
import { copyFileSync, existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it, onTestFinished } from 'vitest';
import { Reading } from '../../shared/reading.ts';
import { linkTargets } from '../helpers/markdown.ts';
import { PROJECT_ROOT, projectFiles, readProjectFile } from '../helpers/project-files.ts';
import { spokeDevice, spokeSettings } from '../helpers/spoke-device.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const OUTPUT_LIMIT = 16 * 2 ** 20;

interface Ran {
  readonly exitCode: number;
  readonly stdout: string;
  readonly stderr: string;
}

function run(program: string, args: readonly string[], cwd: string): Promise<Ran> {
  return new Promise((resolve) => {
    execFile(program, args, { cwd, maxBuffer: OUTPUT_LIMIT }, (error, stdout, stderr) => {
      resolve({ exitCode: error === null ? 0 : typeof error.code === 'number' ? error.code : -1, stdout, stderr });
    });
  });
}

let folder = '';
/** Where it is installed. */
let app = '';
let packed: readonly string[] = [];
const own = (...path: string[]): string => join(app, 'node_modules', 'torsiond', ...path);
const torsiond = (...args: string[]): Promise<Ran> => run(join(app, 'node_modules', '.bin', 'torsiond'), args, app);

beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), 'torsiond-package-'));
  const source = join(folder, 'source');
  for (const path of projectFiles()) {
    mkdirSync(dirname(join(source, path)), { recursive: true });
    copyFileSync(join(PROJECT_ROOT, path), join(source, path));
  }
  symlinkSync(join(PROJECT_ROOT, 'node_modules'), join(source, 'node_modules'));
  // What a build before this one left behind must not come along.
  mkdirSync(join(source, 'dist'));
  writeFileSync(join(source, 'dist', 'left-behind.js'), '');
  const pack = await run('npm', ['pack', '--json', '--pack-destination', folder], source);
  if (pack.exitCode !== 0) throw new Error(`${pack.stderr}${pack.stdout}`);

  app = join(folder, 'app');
  mkdirSync(own(), { recursive: true });
  const tarball = readdirSync(folder).find((name) => name.endsWith('.tgz'))!;
  const unpacked = await run('tar', ['-xzf', join(folder, tarball), '--strip-components=1', '-C', own()], folder);
  if (unpacked.exitCode !== 0) throw new Error(unpacked.stderr);
  packed = (await run('tar', ['-tzf', join(folder, tarball)], folder)).stdout.trim().split('\n').map((path) => path.replace(/^package\//, ''));

  writeFileSync(join(app, 'package.json'), '{ "name": "app", "private": true, "type": "module" }');
  const { dependencies } = JSON.parse(readProjectFile('package.json')) as { dependencies: Record<string, string> };
  for (const name of Object.keys(dependencies)) {
    mkdirSync(dirname(join(app, 'node_modules', name)), { recursive: true });
    symlinkSync(join(PROJECT_ROOT, 'node_modules', name), join(app, 'node_modules', name));
  }
  mkdirSync(join(app, 'node_modules', '.bin'));
  symlinkSync(join('..', 'torsiond', 'daemon', 'torsiond.mjs'), join(app, 'node_modules', '.bin', 'torsiond'));
});

afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe('the package', () => {
  it('brings what runs and what describes it, and nothing else', () => {
    const useless = packed.filter((path) => /(^|\/)(tests?(?!\/README\.md$|\/fixtures\/third-party-driver\/)|node_modules|\.git|\.ci)(\/|$)|\.map$|\.tsbuildinfo$|(?<!\.d)\.ts$|\.bench\.|left-behind/.test(path));
    expect(useless).toEqual([]);
    const tops = new Set(packed.map((path) => path.split('/')[0]));
    expect([...tops].sort()).toEqual(['CHANGELOG.md', 'DEVELOPERS.md', 'LICENSE', 'README.md', 'config', 'daemon', 'dist', 'drivers', 'package.json', 'shared', 'simulator', 'tests']);
    expect(packed.filter((path) => /^(drivers|shared|tests)\//.test(path) && !path.endsWith('.md') && !path.startsWith('tests/fixtures/third-party-driver/'))).toEqual([]);
    expect(packed.filter((path) => path.startsWith('dist/daemon/') && path.endsWith('.d.ts'))).toEqual([]);
    // Nothing of the machine that built it.
    const told = packed.filter((path) => /\.(js|mjs|ts|json|html|css)$/.test(path)).filter((path) => {
      const text = readFileSync(own(path), 'utf8');
      return text.includes(folder) || text.includes(PROJECT_ROOT) || text.includes('sourceMappingURL');
    });
    expect(told).toEqual([]);
  });

  it('brings the pages that README.md links to, and the guide for drivers with its example', () => {
    const linked = (page: string): string[] => linkTargets(readFileSync(own(page), 'utf8')).filter((target) => !/^[a-z]+:|^#/.test(target)).map((target) => join(dirname(page), target.replace(/#.*$/, '')));
    const pages = linked('README.md');
    expect(pages).toContain('drivers/conformance/README.md');
    // Sources are packed compiled.
    const guided = linked('drivers/conformance/README.md').filter((path) => !path.endsWith('.ts'));
    expect(guided).toContain('tests/fixtures/third-party-driver/prove.mjs');
    expect([...pages, ...guided].filter((path) => !existsSync(own(path)))).toEqual([]);
  });

  it('says its version, checks settings and replays', async () => {
    const { version } = JSON.parse(readFileSync(own('package.json'), 'utf8')) as { version: string };
    expect(await torsiond('--version')).toEqual({ exitCode: 0, stdout: `${version}\n`, stderr: '' });
    expect(await torsiond('check-config', own('config', 'examples', 'one-bench.yaml'))).toMatchObject({ exitCode: 0, stderr: '' });
    const replay = await torsiond('replay', own('config', 'examples', 'three-pulls.csv'), '--mode', 'first-peak', '--capacity', '60', '--json');
    expect(replay).toMatchObject({ exitCode: 0, stderr: '' });
    const readings = replay.stdout.trim().split('\n').map((line) => Reading.parse(JSON.parse(line)));
    expect(readings.map((reading) => reading.click)).toEqual([true, true, true]);
  });

  it('runs the demonstration: the page, its files and stored readings come', async () => {
    const child = spawn(join(app, 'node_modules', '.bin', 'torsiond'), ['start', '--demo', '--port', '0'], { cwd: app, stdio: ['ignore', 'pipe', 'pipe'] });
    let stdout = '';
    let stderr = '';
    child.stdout.setEncoding('utf8').on('data', (text: string) => (stdout += text));
    child.stderr.setEncoding('utf8').on('data', (text: string) => (stderr += text));
    const gone = new Promise<number | null>((resolve) => child.once('close', resolve));
    onTestFinished(async () => {
      child.kill('SIGKILL');
      await gone;
    });
    await waitUntil(() => stdout.includes('\n') || child.exitCode !== null, 'the address of the page');
    const url = /http:\S+/.exec(stdout)?.[0];
    if (url === undefined) throw new Error(`it ended: ${stderr}`);
    const page = await (await fetch(url)).text();
    const files = [...page.matchAll(/(?:src|href)="\.\/([^"]+)"/g)].map(([, path]) => path!);
    expect(files.length).toBeGreaterThanOrEqual(2);
    for (const file of files) expect((await fetch(new URL(file, url))).status, file).toBe(200);
    const token = /name="torsiond-token" content="([^"]+)"/.exec(page)![1]!;
    const stored = async (): Promise<unknown[]> => {
      const answer = await fetch(new URL('api/v1/readings', url), { headers: { authorization: `Bearer ${token}` } });
      return ((await answer.json()) as { readings: unknown[] }).readings;
    };
    await waitUntil(async () => (await stored()).length > 0, 'a stored reading');
    child.kill('SIGINT');
    expect(await gone).toBe(0);
    expect(stderr).toBe('');
  });

  it('reads with a driver from a folder that knows nothing of torsiond, and with the same as a package', async () => {
    const example = readProjectFile('tests/fixtures/third-party-driver/driver.mjs');
    const elsewhere = join(folder, 'elsewhere');
    mkdirSync(elsewhere);
    writeFileSync(join(elsewhere, 'driver.mjs'), example);
    mkdirSync(own('..', 'spoke-driver'));
    writeFileSync(own('..', 'spoke-driver', 'package.json'), '{ "name": "spoke-driver", "version": "1.2.0", "type": "module", "exports": "./index.js" }');
    writeFileSync(own('..', 'spoke-driver', 'index.js'), example);
    const device = await spokeDevice();
    const files = [[join(app, 'torsiond.yaml'), 'spoke-driver', 'spoke-driver 1.2.0'], [join(elsewhere, 'torsiond.yaml'), './driver.mjs', './driver.mjs']] as const;
    for (const [file, entry, origin] of files) {
      writeFileSync(file, spokeSettings(device.port, [entry]));
      const checked = await torsiond('check-config', file);
      expect(checked).toMatchObject({ exitCode: 0, stderr: '' });
      expect(checked.stdout.trimEnd().endsWith(`; driver spoke from ${origin}`)).toBe(true);
    }

    // The first ones may come before the channel is ready. A fault of another copy's class would be the driver's end.
    for (let i = 0; i < 6; i++) {
      device.pull(30);
      device.spoil();
    }
    const data = join(folder, 'data');
    const child = spawn(join(app, 'node_modules', '.bin', 'torsiond'), ['start', '--config', files[1][0], '--data', data], { cwd: app, stdio: ['ignore', 'pipe', 'ignore'] });
    let stdout = '';
    child.stdout.setEncoding('utf8').on('data', (text: string) => (stdout += text));
    const gone = new Promise<number | null>((resolve) => child.once('close', resolve));
    onTestFinished(async () => {
      child.kill('SIGKILL');
      await gone;
    });
    await waitUntil(() => stdout.includes('\n') || child.exitCode !== null, 'the address of the page');
    const exported = async (): Promise<readonly Reading[]> => (await torsiond('export', '--format', 'ndjson', '--data', data)).stdout
      .split('\n').filter((line) => line.startsWith('{')).map((line) => Reading.parse(JSON.parse(line)));
    await waitUntil(async () => (await exported()).length > 0, 'a stored reading');
    expect((await exported())[0]).toMatchObject({ channel: 'bench-s/1', epoch: 1, value: 30, verdict: 'within' });
    child.kill('SIGINT');
    expect(await gone).toBe(0);
  });

  it('gives its modules to programs, with their types', async () => {
    const { exports } = JSON.parse(readFileSync(own('package.json'), 'utf8')) as { exports: Record<string, unknown> };
    const names = Object.keys(exports).filter((name) => name !== './package.json').map((name) => name.replace(/^\./, 'torsiond'));
    expect(names).toEqual(expect.arrayContaining(['torsiond/client', 'torsiond/driver', 'torsiond/simulator']));
    writeFileSync(join(app, 'program.mjs'), `for (const name of ${JSON.stringify(names)}) if (Object.keys(await import(name)).length === 0) throw new Error(name);\n`);
    expect(await run(process.execPath, ['program.mjs'], app)).toEqual({ exitCode: 0, stdout: '', stderr: '' });

    writeFileSync(join(app, 'program.ts'), `import { connect } from 'torsiond/client';
import { defineDriver } from 'torsiond/driver';
import { loadScenario, type RunningScenario } from 'torsiond/simulator';
const client = connect({ url: 'http://127.0.0.1:7616', token: '' });
client.on('reading.stored', ({ seq, reading }) => { const value: number = reading.value + seq; void value; });
const title: string = loadScenario('bench').title;
export const facts: [string, typeof defineDriver, RunningScenario | null] = [title, defineDriver, null];
// @ts-expect-error the types say what there is: a reading has no such field
client.on('reading.stored', ({ reading }) => void reading.tork);
`);
    const types = join(PROJECT_ROOT, 'node_modules', '@types');
    writeFileSync(join(app, 'tsconfig.json'), JSON.stringify({
      compilerOptions: { target: 'es2024', lib: ['es2024', 'dom'], module: 'nodenext', strict: true, noEmit: true, skipLibCheck: true, typeRoots: [types], types: ['node'] },
      files: ['program.ts'],
    }));
    expect(await run(join(PROJECT_ROOT, 'node_modules', '.bin', 'tsc'), ['-p', '.'], app)).toEqual({ exitCode: 0, stdout: '', stderr: '' });
  });

  it('refuses an older Node in one line', async () => {
    // Another version number in the running Node: what is refused is the number.
    const older = "data:text/javascript,Object.defineProperty(process, 'versions', { value: { ...process.versions, node: '20.20.2' } })";
    const refused = await run(process.execPath, ['--import', older, own('daemon', 'torsiond.mjs'), '--version'], app);
    expect(refused).toMatchObject({ exitCode: 78, stdout: '' });
    expect(refused.stderr).toMatch(/^NODE_UNSUPPORTED this is Node 20\.20\.2; torsiond needs Node 24 or newer [^\n]*\n$/);
    expect(existsSync(own('dist', 'daemon', 'main.js'))).toBe(true);
  });
});
