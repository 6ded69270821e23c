/** A driver of an invented protocol, outside the source tree, and the same driver with faults planted in it. */
import { spawnSync } from 'node:child_process';
import { appendFileSync, cpSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { ConformanceReport } from '../../drivers/conformance/index.ts';

interface Planted {
  readonly name: string;
  readonly kind: 'streaming' | 'asked';
  readonly from: string;
  readonly to: string;
  /** The clause that names the fault. */
  readonly clause: string;
}

const VALUE = "else this.runs.value(0, Number(match[2]), 'N.m', 0);";
const COMMAND = 'await this.link.write(ZERO);';
const ASKED_COMMAND = 'await this.session.loop.tell(ZERO);';
const ASKED_VALUE = "runs.value(0, Number(text), 'N.m', 0)";
const BUSY = 'for (let i = 0; i < 1e4; i++) this.busy = (this.busy ?? 0) + i;';

const FAULTS: readonly Planted[] = [
  { name: 'uses the first partial line', kind: 'streaming', clause: 'D6',
    from: 'delimiter: Uint8Array.of(10), maxLineBytes: 64 }', to: "delimiter: Uint8Array.of(10), maxLineBytes: 64, onPartial: (bytes) => this.runs.value(0, parseFloat(/[\\d.]+/.exec(Buffer.from(bytes).toString('latin1')) ?? '0'), 'N.m', 0) }" },
  { name: 'overlooks lost lines', kind: 'streaming', clause: 'D14', from: 'lost > 0 && lost <= 50', to: 'false' },
  { name: 'uses a line with a false check', kind: 'streaming', clause: 'D4', from: ' || check(text.slice(0, -2)) !== parseInt(match[3], 16)', to: '' },
  { name: 'throws on garbage', kind: 'streaming', clause: 'D12', from: 'this.#untold++;', to: "throw new Error('what is this?');" },
  { name: 'leaves a timer after stop', kind: 'streaming', clause: 'D9', from: "this.#state = 'running';", to: "this.#state = 'running'; this.clock.after(60_000, () => {});" },
  { name: 'leaves a listener on the signal', kind: 'streaming', clause: 'D9', from: "this.signal.removeEventListener('abort', this.finish);", to: '' },
  { name: 'starts though it was given up', kind: 'streaming', clause: 'D15', from: "if (this.signal.aborted) throw", to: 'if (false) throw' },
  { name: 'repeats the last value in silence', kind: 'streaming', clause: 'D13',
    from: VALUE, to: VALUE.replace(/else (.*)/, 'else { $1 this.clock.after(500, () => { $1 this.runs.end(); }); }') },
  { name: 'shares its framer between sessions', kind: 'streaming', clause: 'D10',
    from: 'this.framer = new LineFramer({ delimiter: Uint8Array.of(10), maxLineBytes: 64 });', to: 'this.framer = (globalThis.sharedFramer ??= new LineFramer({ delimiter: Uint8Array.of(10), maxLineBytes: 64 }));' },
  { name: 'asks twice at once', kind: 'asked', clause: 'P4', from: 'onAsk: () => this.lines.noteAsked()', to: 'onAsk: () => { this.lines.noteAsked(); void this.context.link.write(ASK); }' },
  { name: 'takes an answer that comes too late', kind: 'asked', clause: 'P5',
    from: 'hear: (chunk) => this.lines.push(chunk),', to: "hear: (chunk) => { const text = Buffer.from(chunk.data).toString('latin1').trim(); if (this.session.faults > 0 && /^[+-]\\d/.test(text)) this.session.tell(chunk.atMs, (runs) => runs.value(0, Number(text), 'N.m', 0)); this.lines.push(chunk); }," },
  { name: 'goes on starting though it was given up', kind: 'asked', clause: 'P15', from: 'await this.session.loop.ask(this.question);', to: 'await this.session.loop.ask(this.question).catch(() => new Promise(() => {}));' },
];

/** Each of these breaks the clause that names it, and no other. */
const SINGLE_FAULTS: readonly Planted[] = [
  { name: 'tells of a bad line and counts nothing as missing', kind: 'streaming', clause: 'D4', from: "'a line without a true check', 1)", to: "'a line without a true check', 0)" },
  { name: 'counts seven samples as missing for one bad line', kind: 'streaming', clause: 'D4', from: "'a line without a true check', 1)", to: "'a line without a true check', 7)" },
  { name: 'shares its counter between sessions', kind: 'streaming', clause: 'D10',
    from: 'const counter = Number(match[1]);', to: 'const counter = Number(match[1]); this.#last = globalThis.sharedLast ?? null; globalThis.sharedLast = counter;' },
  { name: 'starts the device twice', kind: 'streaming', clause: 'D22', from: 'await this.link.write(START);', to: 'await this.link.write(START); await this.link.write(START);' },
  { name: 'does not start the device', kind: 'streaming', clause: 'D22', from: 'await this.link.write(START);', to: '' },
  { name: 'does not stop the device', kind: 'streaming', clause: 'D22', from: '() => STOP)', to: '() => undefined)' },
  { name: 'stops the device after the link is gone', kind: 'streaming', clause: 'D22', from: "isRunning: () => this.#state === 'running'", to: "isRunning: () => this.#state !== 'new'" },
  { name: 'counts from 0 again at its end', kind: 'streaming', clause: 'D24', from: 'frames: this.#frames,', to: "frames: this.#state === 'over' ? 0 : this.#frames," },
  { name: 'never counts a frame', kind: 'streaming', clause: 'D24', from: 'frames: this.#frames,', to: 'frames: 0,' },
  { name: 'waits while it starts and cannot be given up', kind: 'streaming', clause: 'D16',
    from: 'return null;', to: 'await new Promise((resolve) => this.clock.after(1, resolve)); return null;' },
  { name: 'forgets the unit', kind: 'streaming', clause: 'D17', from: VALUE, to: VALUE.replace("'N.m'", 'null') },
  { name: 'calls a clean sample unstable', kind: 'streaming', clause: 'D17', from: VALUE, to: VALUE.replace(', 0);', ', 2);') },
  { name: 'loses the line that is under way when it is told to zero', kind: 'streaming', clause: 'D18', from: COMMAND, to: `this.framer.reset(); ${COMMAND}` },
  { name: 'takes a command and does not send it', kind: 'streaming', clause: 'D18', from: COMMAND, to: '' },
  { name: 'keeps every session for ever', kind: 'streaming', clause: 'D19', from: 'this.signal = signal;', to: '(globalThis.sessions ??= []).push(this); this.signal = signal;' },
  { name: 'works too long on each line', kind: 'streaming', clause: 'D20', from: 'this.#untold = 0;', to: `this.#untold = 0; ${BUSY}` },
  { name: 'takes commands that it does not declare', kind: 'streaming', clause: 'D21', from: "if (kind !== 'zero') throw", to: 'if (false) throw' },
  { name: 'starts though nobody answered', kind: 'asked', clause: 'P16', from: 'await this.session.loop.ask(this.question);', to: 'await this.session.loop.ask(this.question).catch(() => {});' },
  { name: 'forgets the unit', kind: 'asked', clause: 'P17', from: ASKED_VALUE, to: ASKED_VALUE.replace("'N.m'", 'null') },
  { name: 'zeroes in the middle of a question', kind: 'asked', clause: 'P18', from: ASKED_COMMAND, to: 'await this.context.link.write(ZERO);' },
  { name: 'keeps every session for ever', kind: 'asked', clause: 'P19', from: 'this.context = context;', to: '(globalThis.sessions ??= []).push(this); this.context = context;' },
  { name: 'works too long on each answer', kind: 'asked', clause: 'P20', from: "const text = Buffer.from(outcome.frame).toString('latin1');", to: `const text = Buffer.from(outcome.frame).toString('latin1'); ${BUSY.replace('1e4', '1e5')}` },
  { name: 'takes commands that it does not declare', kind: 'asked', clause: 'P21', from: "if (kind !== 'zero') throw", to: 'if (false) throw' },
];

/** The example for an amplifier that answers `Z` with `K`, and whose driver waits for it. */
const ACKNOWLEDGING: readonly [from: string, to: string][] = [
  [COMMAND, `${COMMAND} await new Promise((resolve) => { this.acknowledged = resolve; });`],
  ['  line(text) {', "  line(text) {\n    if (text === 'K') return this.acknowledged?.();"],
];
const ACKNOWLEDGING_HARNESS = "export const acknowledging = (driver) => ({ ...streaming(driver), answer: (message) => (Buffer.from(message).toString() === 'Z\\n' ? line('K') : null) });\n";

const EXAMPLE = new URL('../fixtures/third-party-driver/', import.meta.url).pathname;
const SOURCES = { streaming: 'driver.mjs', asked: 'asked.mjs' } as const;
let folder = '';
/** Proves as `prove.mjs` does, and prints reports that a test can read. */
const PROVE_ALL = `import { runDriverClauses } from 'torsiond/conformance';
import * as harness from './harness.mjs';
const args = process.argv.slice(2);
for (let i = 0; i < args.length; i += 2) {
  const { default: driver } = await import(args[i + 1]);
  console.log(JSON.stringify({ file: args[i + 1], ...(await runDriverClauses(harness[args[i]](driver))) }));
}
process.exit(0);
`;
let reports: readonly (ConformanceReport & { readonly file: string })[] = [];

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'torsiond-test-'));
  cpSync(EXAMPLE, folder, { recursive: true });
  // What an installed torsiond is to the driver: its entries by name.
  const installed = join(folder, 'node_modules', 'torsiond');
  mkdirSync(installed, { recursive: true });
  writeFileSync(join(installed, 'package.json'), JSON.stringify({ name: 'torsiond', type: 'module', exports: { './driver': './driver.js', './conformance': './conformance.js' } }));
  for (const [name, file] of [['driver', 'index.ts'], ['conformance', 'conformance/index.ts']]) {
    writeFileSync(join(installed, `${name}.js`), `export * from ${JSON.stringify(new URL(`../../drivers/${file}`, import.meta.url).href)};\n`);
  }
  appendFileSync(join(folder, 'harness.mjs'), ACKNOWLEDGING_HARNESS);
  const source = readFileSync(join(folder, 'driver.mjs'), 'utf8');
  writeFileSync(join(folder, 'acknowledging.mjs'), ACKNOWLEDGING.reduce((text, [from, to]) => text.replace(from, () => to), source));
  const runs = [['streaming', './driver.mjs'], ['asked', './asked.mjs'], ['acknowledging', './acknowledging.mjs']];
  [...FAULTS, ...SINGLE_FAULTS].forEach((fault, i) => {
    const source = readFileSync(join(folder, SOURCES[fault.kind]), 'utf8');
    if (source.split(fault.from).length !== 2) throw new Error(`the place of "${fault.name}" is not there once`);
    writeFileSync(join(folder, `fault-${i}.mjs`), source.replace(fault.from, () => fault.to));
    runs.push([fault.kind, `./fault-${i}.mjs`]);
  });
  writeFileSync(join(folder, 'prove-all.mjs'), PROVE_ALL);
  const { status, stdout, stderr } = spawnSync(process.execPath, [join(folder, 'prove-all.mjs'), ...runs.flat()], { cwd: folder, encoding: 'utf8', timeout: 200_000 });
  if (status !== 0) throw new Error(`exit ${status}: ${stderr}`);
  reports = stdout.trim().split('\n').map((text) => JSON.parse(text) as ConformanceReport & { file: string });
});

afterAll(() => rmSync(folder, { recursive: true, force: true }));

const broken = (file: string): readonly string[] => reports.find((report) => report.file === file)!.clauses.filter(({ result }) => result === 'broken').map(({ id }) => id);

describe('a driver from outside', () => {
  it.each(['./driver.mjs', './asked.mjs', './acknowledging.mjs'])('keeps every promise: %s', (file) => {
    expect(broken(file)).toEqual([]);
    expect(reports.find((report) => report.file === file)!.clauses.length).toBeGreaterThanOrEqual(15);
  });

  it('is proven by the script of the guide, which fails when a clause is broken', () => {
    const prove = (file: string): ReturnType<typeof spawnSync> => spawnSync(process.execPath, ['prove.mjs', 'asked', file], { cwd: folder, encoding: 'utf8', timeout: 60_000 });
    const good = prove('./asked.mjs');
    expect([good.status, good.stderr]).toEqual([0, '']);
    expect(good.stdout).toMatch(/^\.\/asked\.mjs: driver spoke-asked: keeps its promises\nkept +P1 /);
    const unit = FAULTS.length + SINGLE_FAULTS.findIndex(({ clause }) => clause === 'P17');
    const bad = prove(`./fault-${unit}.mjs`);
    expect([bad.status, bad.stderr]).toEqual([1, '']);
    expect(bad.stdout).toMatch(/breaks promises\n[^]*\nbroken +P17 .*\n +unit of sample 1, channel 1: expected N\.m, got null\n/);
  });

  it('that throws is quoted', () => {
    const garbage = FAULTS.findIndex(({ name }) => name === 'throws on garbage');
    const { clauses } = reports.find(({ file }) => file === `./fault-${garbage}.mjs`)!;
    expect(clauses.find(({ id }) => id === 'D12')).toMatchObject({ result: 'broken', detail: 'the driver was to take any bytes, but threw and so ended the link: Error: what is this?' });
  });

  it.each(FAULTS.map((fault, i) => [fault.name, fault.clause, i] as const))('that %s breaks %s', (_, clause, i) => {
    expect(broken(`./fault-${i}.mjs`)).toContain(clause);
  });

  it.each(SINGLE_FAULTS.map((fault, i) => [fault.kind, fault.name, fault.clause, FAULTS.length + i] as const))('that is %s and %s breaks %s alone', (_kind, _name, clause, i) => {
    expect(broken(`./fault-${i}.mjs`)).toEqual([clause]);
  });
});
