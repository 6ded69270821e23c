/**
 * `npm run bench`: every figure is a ratio of two things measured in the same run, in turns, on this machine.
 * `--only a,b` runs some of them, `--json` prints one line of JSON. Exit code 1 when a wanted ratio is missed
 * or a part could not be measured.
 */
import { cpus, loadavg } from 'node:os';
import { parseArgs } from 'node:util';
import { isMet, type BenchLine } from './bench-line.ts';
import { printTable } from './table.ts';

const PARTS: Record<string, () => Promise<{ run(): Promise<BenchLine[]> }>> = {
  a: () => import('./pipeline.bench.ts'),
  b: () => import('./rate.bench.ts'),
  c: () => import('./load.bench.ts'),
  d: () => import('./spacing.bench.ts'),
  e: () => import('./store.bench.ts'),
  f: () => import('./trace-size.bench.ts'),
  g: () => import('./trace-read.bench.ts'),
  h: () => import('./recording-read.bench.ts'),
  i: () => import('./promptness.bench.ts'),
};

const { values } = parseArgs({ options: { only: { type: 'string' }, json: { type: 'boolean', default: false } } });
const letters = values.only === undefined ? null : values.only.split(',').map((letter) => letter.trim());
const unknown = letters?.find((letter) => !(letter in PARTS));
if (unknown !== undefined) {
  process.stderr.write(`there is no part "${unknown}"; there are ${Object.keys(PARTS).join(', ')}\n`);
  process.exit(64);
}

const lines: BenchLine[] = [];
const failed: string[] = [];
const beganMs = performance.now();
const load = loadavg()[0]!;
for (const [part, load] of Object.entries(PARTS)) {
  if (letters !== null && !letters.includes(part)) continue;
  if (!values.json) process.stderr.write(`measuring ${part} …\n`);
  try {
    lines.push(...await (await load()).run());
  } catch (thrown) {
    // A part that cannot be measured is not met; the others still are.
    failed.push(`${part}: ${thrown instanceof Error ? thrown.message : String(thrown)}`);
  }
}
const machine = { cpu: cpus()[0]?.model ?? 'unknown', cores: cpus().length, node: process.version, system: `${process.platform} ${process.arch}`, load };
const seconds = Math.round((performance.now() - beganMs) / 1_000);
if (values.json) process.stdout.write(`${JSON.stringify({ machine, seconds, lines: lines.map((line) => ({ ...line, isMet: isMet(line) })), failed })}\n`);
else {
  process.stdout.write(`${machine.cpu}, ${machine.cores} cores, Node ${machine.node}, ${machine.system}; load ${load.toFixed(1)} when it began; ${seconds} s\n`);
  if (load > machine.cores) process.stdout.write('The machine was busy with other work: rates and lags are worse than it could do.\n');
  process.stdout.write('\n');
  printTable(lines);
}
for (const failure of failed) process.stderr.write(`not measured: ${failure}\n`);
process.exitCode = failed.length === 0 && lines.every(isMet) ? 0 : 1;
