/** kill -9 at 200 random moments while readings are stored as fast as they can be: what was acknowledged is in the file. */
import { type ChildProcess, spawn, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { Reader } from '../../daemon/storage/reader.ts';
import { seeded } from '../helpers/made-trace.ts';

const CHILD = fileURLToPath(new URL('../fixtures/store-child.ts', import.meta.url));
const LANES = 2;
/** A new database after so many kills, so that creation and growth are both hit. */
const KILLS_PER_DATABASE = 10;
const DATABASES_PER_LANE = 10;
const SEED = 20_261_125;

let root: string;
const running = new Set<ChildProcess>();
beforeAll(() => {
  root = mkdtempSync(join(tmpdir(), 'torsiond-kill-'));
  // A run that ends in order leaves the compile cache, with which the two hundred others start faster.
  const first = spawnSync(process.execPath, [CHILD, join(root, 'first'), 'hold', ''], { env: environment(), input: '' });
  expect(first.status).toBe(0);
});
afterAll(() => {
  for (const child of running) child.kill('SIGKILL');
  rmSync(root, { recursive: true });
});

const environment = (): NodeJS.ProcessEnv => ({ ...process.env, NODE_OPTIONS: '', NODE_COMPILE_CACHE: join(root, 'cache') });

/** A run is killed once so many readings were acknowledged, and up to some milliseconds later, where in a commit chance wants. */
const MOST_BEFORE_KILL = 40;
const LATEST_MS = 5;

interface Killed {
  readonly acknowledged: readonly string[];
  /** As many must have been acknowledged; 0: killed at some moment of its start. */
  readonly planned: number;
}

/** Runs the child until a random moment; one in ten is killed at some moment of its start instead. */
function killedRun(directory: string, prefix: string, random: () => number): Promise<Killed> {
  const child = spawn(process.execPath, [CHILD, directory, 'append', prefix], {
    stdio: ['ignore', 'pipe', 'pipe'], env: environment(),
  });
  running.add(child);
  let out = '';
  let faults = '';
  const duringStart = random() < 0.1;
  const planned = duringStart ? 0 : Math.floor(random() * MOST_BEFORE_KILL);
  const delayMs = random() * (duringStart ? 400 : LATEST_MS);
  let killer: NodeJS.Timeout | null = null;
  const killLater = (): void => { killer ??= setTimeout(() => child.kill('SIGKILL'), delayMs); };
  if (duringStart) killLater();
  child.stderr.on('data', (chunk: Buffer) => { faults += chunk.toString(); });
  child.stdout.on('data', (chunk: Buffer) => {
    out += chunk.toString();
    if (!duringStart && out.split('\n').length - 2 >= planned) killLater();
  });
  return new Promise((resolve, reject) => {
    child.on('error', reject);
    child.on('close', (code, signal) => {
      running.delete(child);
      if (killer !== null) clearTimeout(killer);
      if (signal !== 'SIGKILL') return reject(new Error(`the child ended by itself, code ${code}: ${faults}`));
      // What follows the last line end was not acknowledged whole.
      resolve({ acknowledged: out.split('\n').slice(0, -1).filter((line) => line !== 'open'), planned });
    });
  });
}

function checkFile(path: string, acknowledged: ReadonlySet<string>): number {
  const reader = new Reader(path);
  try {
    const steps = reader.audit();
    let step = steps.next();
    while (step.done !== true) step = steps.next();
    expect(step.value.faults).toEqual([]);
    expect(step.value.lastSeq).toBe(step.value.records);
    const stored = new Set<string>();
    let afterSeq = 0;
    for (;;) {
      const page = reader.readings({ afterSeq, limit: 1_000 });
      for (const { reading } of page) {
        expect(reading.seq).toBe(afterSeq + 1);
        afterSeq += 1;
        stored.add(reading.id);
      }
      if (page.length === 0) break;
    }
    expect([...acknowledged].filter((id) => !stored.has(id))).toEqual([]);
    return stored.size;
  } finally {
    reader.close();
  }
}

describe('kill -9 while readings are stored', () => {
  it(`keeps every acknowledged reading at ${LANES * DATABASES_PER_LANE * KILLS_PER_DATABASE} random moments (${SEED})`, async () => {
    let kills = 0;
    let plannedInAll = 0;
    let acknowledgedInAll = 0;
    let storedInAll = 0;
    await Promise.all(Array.from({ length: LANES }, async (_, lane) => {
      const random = seeded(SEED + lane);
      for (let database = 0; database < DATABASES_PER_LANE; database += 1) {
        const directory = join(root, `${lane}-${database}`);
        const path = join(directory, 'torsiond.db');
        const acknowledged = new Set<string>();
        let stored = 0;
        for (let kill = 0; kill < KILLS_PER_DATABASE; kill += 1) {
          const run = await killedRun(directory, `run-${kill}`, random);
          expect(run.acknowledged.length).toBeGreaterThanOrEqual(run.planned);
          for (const id of run.acknowledged) acknowledged.add(id);
          plannedInAll += run.planned;
          kills += 1;
          // Killed before there was a schema: nothing can have been acknowledged.
          if (acknowledged.size === 0) continue;
          expect(existsSync(path)).toBe(true);
          stored = checkFile(path, acknowledged);
        }
        acknowledgedInAll += acknowledged.size;
        storedInAll += stored;
      }
    }));
    expect(kills).toBe(200);
    // The test would prove nothing if the children had hardly stored anything.
    expect(plannedInAll).toBeGreaterThan(2_000);
    expect(acknowledgedInAll).toBeGreaterThanOrEqual(plannedInAll);
    expect(storedInAll).toBeGreaterThanOrEqual(acknowledgedInAll);
  });
});
