/** README.md promises; here it is held to it. */
import { spawn } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { describe, expect, it, onTestFinished } from 'vitest';
import { checkCapture, detectorNumbers } from '../../daemon/capture/defaults.ts';
import { LowPass, designLowPass } from '../../daemon/conditioning/low-pass.ts';
import { gatewayChecks } from '../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../daemon/settings/load-settings.ts';
import { AsciiLinesCodec } from '../../drivers/protocols/ascii-lines/codec.ts';
import { AsciiLinesOptions } from '../../drivers/protocols/ascii-lines/options.ts';
import { CaptureSettings } from '../../shared/capture-settings.ts';
import { Reading } from '../../shared/reading.ts';
import { codeBlocks, firstColumn } from '../helpers/markdown.ts';
import { PROJECT_ROOT, readProjectFile } from '../helpers/project-files.ts';
import { runServer } from '../helpers/run-server.ts';
import { inProcess } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const text = readProjectFile('README.md');
const blocks = codeBlocks(text);
/** About what a screen shows. */
const FIRST_SCREEN_LINES = 20;

const blockWith = (language: string, part: string): string => {
  const found = blocks.find((block) => block.language === language && block.text.includes(part));
  if (!found) throw new Error(`README.md has no ${language} block with ${part}`);
  return found.text;
};

describe('README.md', () => {
  it('says in its first paragraph what the job is, and for whom', () => {
    const paragraph = text.split(/\n\n/)[1]!;
    for (const word of ['torque transducers', 'reading', 'technician', 'integrator']) expect(paragraph).toContain(word);
  });

  it('shows the two commands on the first screen', () => {
    const screen = text.split('\n').slice(0, FIRST_SCREEN_LINES).join('\n');
    expect(screen).toMatch(/^npm ci && npm start\b/m);
    expect(screen).toMatch(/^npm ci && npm test\b/m);
  });

  it('gives settings that check-config accepts as they stand', async () => {
    const file = join(tempFolder(), 'torsiond.yaml');
    writeFileSync(file, blockWith('yaml', 'instruments:'));
    expect(await inProcess('check-config', file)).toMatchObject({ exitCode: 0, stderr: '' });
  });

  it.each(['README.md', 'config/examples/one-bench.yaml'])('%s gives settings that read the lines they are said to be for, with their unit', (page) => {
    const { settings } = parseSettings(page === 'README.md' ? blockWith('yaml', 'instruments:') : readProjectFile(page), gatewayChecks);
    const codec = new AsciiLinesCodec(AsciiLinesOptions.parse(settings!.instruments[0]!.driver.options));
    const read = (line: string): unknown[] => {
      const seen: unknown[] = [];
      const bytes = Buffer.from(line);
      codec.decode(bytes, Int32Array.of(0, bytes.length), 1, {
        value: (_, value, unit) => seen.push(value, unit), fault: (_, code) => seen.push(code), recognise: () => false,
      });
      return seen;
    };
    expect(read('12.345 Nm\r')).toEqual([12.345, 'N.m']);
    expect(read('9.104 ft-lb')).toEqual([9.104, '[lbf_av].[ft_i]']);
    expect(read('12.345')).toEqual([12.345, null]);
    expect(settings!.instruments[0]!.channels[0]).toMatchObject({ unit: 'N.m', capture: { unit: 'N.m', mode: 'first-peak' } });
    expect(settings!.instruments[0]!.channels[0]!.deviceUnit).toBeUndefined();
  });

  it('gives the figures of the click that capture works with', () => {
    const { clickDepth, clickFallMs, armTorque, releaseTorque } = detectorNumbers(CaptureSettings.parse({ mode: 'first-peak' }), 100, 0);
    expect(text).toContain(`falls by ${+(100 * clickDepth).toPrecision(6)} % or more within ${clickFallMs} ms`);
    expect(text).toContain(`(${armTorque} % of capacity`);
    expect(text).toMatch(releaseTorque === armTorque / 2 ? /below half of that/ : /never/);
  });

  it('gives the sample rates that modes and filters really need, and the standards of track', () => {
    const fits = (rateHz: number, input: object): boolean => checkCapture(CaptureSettings.parse({ mode: 'peak', ...input }), rateHz, 60).length === 0;
    const [, firstPeak] = /First-peak needs (\d+) samples\/s/.exec(text)!;
    expect([fits(Number(firstPeak), { mode: 'first-peak' }), fits(Number(firstPeak) - 1, { mode: 'first-peak' })]).toEqual([true, false]);
    const [, cutoff, rate] = /low-pass of (\d+) Hz needs (\d+) samples\/s/.exec(text)!;
    const filter = { kind: 'butterworth', order: 4, cutoffHz: Number(cutoff) };
    expect([fits(Number(rate), { filter }), fits(Number(rate) - 1, { filter })]).toEqual([true, false]);
    expect(CaptureSettings.parse({ mode: 'peak' }).track).toMatchObject({ averageMs: 100, stableMs: 1_000 });
    expect(text).toContain('averaged over 0.1 s, when it has stood still for a second');
  });

  it.each([2, 4] as const)('gives the overshoot of a step that a low-pass of order %i really has', (order) => {
    const [, low, high] = new RegExp(`order ${order}\\s+by (\\d+) to (\\d+) %`).exec(text)!;
    for (const rateHz of [1_000, 10_000]) {
      const lowPass = new LowPass(designLowPass({ kind: 'butterworth', order, cutoffHz: 100 }, rateHz));
      lowPass.prime(0);
      const answer = new Float64Array(rateHz);
      lowPass.run(new Float64Array(rateHz).fill(1), 0, rateHz, answer);
      const percent = Math.round(100 * (Math.max(...answer) - 1));
      expect(percent).toBeGreaterThanOrEqual(Number(low));
      expect(percent).toBeLessThanOrEqual(Number(high));
    }
  });

  it('lists the commands that exist', async () => {
    const { stdout } = await inProcess('--help');
    const existing = [...stdout.split('Commands:')[1]!.matchAll(/^ {2}([a-z][a-z-]+)/gm)].map(([, name]) => name!).filter((name) => name !== 'help');
    expect(existing.length).toBeGreaterThan(10);
    expect(firstColumn(text, 'Commands').map((cell) => cell.replaceAll('`', ''))).toEqual(existing);
  });

  it('names no option that its command lacks', async () => {
    const rows = text.split('\n').filter((line) => /^\| `[a-z-]+` \|/.test(line) && line.includes('--'));
    expect(rows.length).toBeGreaterThan(2);
    for (const row of rows) {
      const help = (await inProcess(/^\| `([a-z-]+)`/.exec(row)![1]!, '--help')).stdout;
      for (const [option] of row.matchAll(/--[a-z-]+/g)) expect(help, row).toContain(option);
    }
  });

  it('shows a replay that works as it stands and finds the clicks', async () => {
    const [, ...words] = blockWith('sh', 'replay').trim().split(/\s+/);
    const args = words.slice(words.indexOf('replay')).map((word) => (word.endsWith('.csv') ? join(PROJECT_ROOT, word) : word));
    const { exitCode, stdout, stderr } = await inProcess(...args, '--json');
    expect({ exitCode, stderr }).toEqual({ exitCode: 0, stderr: '' });
    const readings = stdout.trim().split('\n').map((line) => Reading.parse(JSON.parse(line)));
    expect(readings.map(({ click, verdict }) => [click, verdict])).toEqual([[true, 'low'], [true, 'within'], [true, 'within']]);
    // Run from another folder the file has another name, and the id follows from it.
    const shown = JSON.parse(blockWith('json', '"reading"')) as Reading;
    expect(shown).toEqual({ ...readings[0], source: shown.source, id: shown.id });
  });

  it('shows a client program that runs as it stands', async () => {
    const run = await runServer();
    onTestFinished(() => run.stop());
    const { gateway } = run;
    gateway.take({ value: 50.12, unit: 'N.m', verdict: 'within' });
    const program = blockWith('ts', 'torsiond/client');
    expect(program).toContain("from 'torsiond/client'");
    const file = join(tempFolder(), 'client.ts');
    // The package is not installed here; its entry is, and package.json says which one (see package.test.ts).
    writeFileSync(file, program.replace("'torsiond/client'", JSON.stringify(pathToFileURL(join(PROJECT_ROOT, 'shared/client/index.ts')).href)));
    const child = spawn(process.execPath, [file], {
      env: { ...process.env, TORSIOND_URL: `http://127.0.0.1:${run.server.port}`, TORSIOND_TOKEN: run.token('read') }, stdio: ['ignore', 'pipe', 'pipe'],
    });
    const ended = new Promise((resolve) => child.once('close', resolve));
    onTestFinished(async () => {
      child.kill('SIGKILL');
      await ended;
    });
    let output = '';
    child.stdout.on('data', (bytes: Buffer) => (output += bytes.toString()));
    child.stderr.on('data', (bytes: Buffer) => (output += bytes.toString()));
    await waitUntil(() => output.includes('\n') || child.exitCode !== null, 'the program to print the reading');
    expect(output).toMatch(/^1 \S+ 50\.12 N\.m within/);
  });
});
