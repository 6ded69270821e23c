/** (e) stored readings per second against bare better-sqlite3 at the same durability; (f) bytes per stored trace. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { openStore } from '../../daemon/storage/open-store.ts';
import { prepare, readingText } from '../../daemon/storage/records.ts';
import { encodeSamples } from '../../daemon/storage/trace-codec.ts';
import { madeRecord, madeSamples, type MadeTrace } from '../helpers/made-trace.ts';
import type { BenchLine } from './bench-line.ts';

const READINGS = 3_000;
const ROUNDS = 3;

export async function run(): Promise<BenchLine[]> {
  return [await storedPerSecond(), await oneAtATime(), bytesPerTrace()];
}

const pull: MadeTrace = { seconds: 3, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 };

/** The store encodes, hashes and commits in groups; the bare loop writes the same rows, encoded before, one transaction each. */
async function storedPerSecond(): Promise<BenchLine> {
  const records = Array.from({ length: READINGS }, (_, i) => madeRecord(i, madeSamples(pull, i % 50)));
  const store: number[] = [];
  const bare: number[] = [];
  for (let round = 0; round < ROUNDS; round += 1) {
    bare.push(bareRate(records));
    store.push(await storeRate(records));
  }
  const ratio = median(store) / median(bare);
  return { name: '(e) stored readings per second / bare better-sqlite3', ratio, atLeast: 0.7, detail: `${median(store).toFixed(0)}/s against ${median(bare).toFixed(0)}/s, 3000 samples each, WAL, synchronous=FULL` };
}

/** No bound is set: a reading handed over alone pays for two thread changes. */
async function oneAtATime(): Promise<BenchLine> {
  const records = Array.from({ length: 500 }, (_, i) => madeRecord(i, madeSamples(pull, i % 50)));
  const bare = bareRate(records);
  const rate = await inDirectory(async (directory) => {
    const store = await openStore(directory);
    const begin = performance.now();
    for (const { reading, trace } of records) await store.append(reading, trace);
    const seconds = (performance.now() - begin) / 1_000;
    await store.close();
    return records.length / seconds;
  });
  return { name: 'stored readings per second, one after the other / bare better-sqlite3', ratio: rate / bare, detail: `${rate.toFixed(0)}/s against ${bare.toFixed(0)}/s` };
}

type Record = ReturnType<typeof madeRecord>;

function storeRate(records: readonly Record[]): Promise<number> {
  return inDirectory(async (directory) => {
    const store = await openStore(directory);
    const begin = performance.now();
    await Promise.all(records.map(({ reading, trace }) => store.append(reading, trace)));
    const seconds = (performance.now() - begin) / 1_000;
    await store.close();
    return records.length / seconds;
  });
}

function bareRate(records: readonly Record[]): number {
  const rows = records.map(({ reading, trace }) => prepare(reading, trace));
  const directory = mkdtempSync(join(tmpdir(), 'bare-'));
  try {
    const db = new Database(join(directory, 'bare.db'));
    db.pragma('journal_mode = WAL');
    db.pragma('synchronous = FULL');
    db.exec('CREATE TABLE rows (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, reading TEXT NOT NULL, header TEXT NOT NULL, samples BLOB NOT NULL, hash BLOB NOT NULL) STRICT');
    const insert = db.prepare('INSERT INTO rows VALUES (?, ?, ?, ?, ?, ?)');
    const begin = performance.now();
    rows.forEach((row, i) => insert.run(i + 1, row.reading.id, readingText(row.reading, i + 1), row.header, row.samples, row.traceDigest));
    const seconds = (performance.now() - begin) / 1_000;
    db.close();
    return records.length / seconds;
  } finally {
    rmSync(directory, { recursive: true });
  }
}

/** Worst and mean over capacities, converters and noise; the samples alone, and with the stored description of the trace. */
function bytesPerTrace(): BenchLine {
  let stored = 0;
  let described = 0;
  let float32 = 0;
  let worst = 0;
  for (const bits of [14, 15, 16]) for (const noise of [0.0002, 0.0005, 0.001]) for (const capacity of [10, 25, 60, 100, 250]) for (const seconds of [2, 3, 4]) {
    const device = madeSamples({ ...pull, bits, noise, capacity, torque: capacity / 2, seconds }, bits * 1_000 + capacity + seconds);
    const bytes = encodeSamples(device, null).length;
    const { reading, trace } = madeRecord(1, device);
    stored += bytes;
    described += bytes + Buffer.byteLength(prepare(reading, trace).header);
    float32 += device.length * 4;
    worst = Math.max(worst, bytes / (device.length * 4));
  }
  return {
    name: '(f) bytes per stored trace / float32', ratio: stored / float32, atMost: 1 / 3,
    detail: `worst of 135 traces ${worst.toFixed(3)}; ${(described / float32).toFixed(3)} with the description that makes it derivable again`,
  };
}

async function inDirectory<T>(work: (directory: string) => Promise<T>): Promise<T> {
  const directory = mkdtempSync(join(tmpdir(), 'store-'));
  try {
    return await work(directory);
  } finally {
    rmSync(directory, { recursive: true });
  }
}

function median(values: readonly number[]): number {
  return [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)]!;
}
