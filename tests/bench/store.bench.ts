/** (e) stored readings per second against bare better-sqlite3 at the same durability. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { openStore } from '../../daemon/storage/open-store.ts';
import { newRecord, prepare } from '../../daemon/storage/records.ts';
import { madeRecord, madeSamples, type MadeTrace } from '../helpers/made-trace.ts';
import type { BenchLine } from './bench-line.ts';
import { median } from './statistics.ts';

const ROUNDS = 7;
const PER_ROUND = 480;

const pull: MadeTrace = { seconds: 3, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 };

/**
 * The store encodes, hashes, indexes and commits in groups; the bare loop writes rows that were encoded before, one
 * transaction each. They take turns on the same disk, and the ratio is the median of the turns': a disk's mood changes.
 */
export async function run(): Promise<BenchLine[]> {
  const directory = mkdtempSync(join(tmpdir(), 'torsiond-bench-'));
  const store = await openStore(directory);
  const bare = bareDatabase(join(directory, 'bare.db'));
  const shapes = Array.from({ length: 50 }, (_, i) => madeSamples(pull, i));
  let next = 0;
  const records = (count: number) => Array.from({ length: count }, () => madeRecord(next++, shapes[next % shapes.length]!));
  const together = async (batch: readonly MadeRecord[]): Promise<void> => void (await Promise.all(batch.map(({ reading, trace }) => store.append(reading, trace))));
  const oneByOne = async (batch: readonly MadeRecord[]): Promise<void> => { for (const { reading, trace } of batch) await store.append(reading, trace); };
  try {
    // Compiled and warm on both sides before it counts.
    await together(records(PER_ROUND));
    bare.insert(bare.rows(records(PER_ROUND)));
    const grouped: Turn[] = [];
    const single: Turn[] = [];
    for (let round = 0; round < ROUNDS; round += 1) {
      grouped.push(await turn(records(PER_ROUND), bare, together));
      single.push(await turn(records(PER_ROUND / 6), bare, oneByOne));
    }
    return [
      { name: '(e) stored readings per second / bare better-sqlite3', ...summary(grouped), atLeast: 0.7 },
      // No bound: a reading handed over alone also pays for two changes of thread.
      { name: '    the same, each awaited before the next / bare better-sqlite3', ...summary(single) },
    ];
  } finally {
    bare.close();
    await store.close();
    rmSync(directory, { recursive: true });
  }
}

type MadeRecord = ReturnType<typeof madeRecord>;
interface Turn {
  readonly store: number;
  readonly bare: number;
}

async function turn(batch: readonly MadeRecord[], bare: BareDatabase, append: (batch: readonly MadeRecord[]) => Promise<void>): Promise<Turn> {
  const rows = bare.rows(batch);
  const begin = performance.now();
  bare.insert(rows);
  const between = performance.now();
  await append(batch);
  return { bare: (batch.length / (between - begin)) * 1_000, store: (batch.length / (performance.now() - between)) * 1_000 };
}

function summary(turns: readonly Turn[]): { ratio: number; detail: string } {
  const of = (value: (one: Turn) => number): number => median(turns.map(value));
  return {
    ratio: of((one) => one.store / one.bare),
    detail: `${of((one) => one.store).toFixed(0)}/s against ${of((one) => one.bare).toFixed(0)}/s, medians of ${turns.length} turns; 3000 samples each, WAL, synchronous=FULL`,
  };
}

interface BareDatabase {
  rows(batch: readonly MadeRecord[]): unknown[][];
  insert(rows: readonly unknown[][]): void;
  close(): void;
}

function bareDatabase(path: string): BareDatabase {
  const db = new Database(path);
  db.pragma('journal_mode = WAL');
  db.pragma('synchronous = FULL');
  db.exec('CREATE TABLE rows (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, reading TEXT NOT NULL, header TEXT NOT NULL, samples BLOB NOT NULL, digest BLOB NOT NULL) STRICT');
  const statement = db.prepare('INSERT INTO rows (id, reading, header, samples, digest) VALUES (?, ?, ?, ?, ?)');
  return {
    rows: (batch) => batch.map(({ reading, trace }) => {
      const row = prepare(newRecord(reading, trace));
      return [row.id, row.reading, row.header, row.samples, row.traceDigest];
    }),
    insert: (rows) => { for (const row of rows) statement.run(...row); },
    close: () => void db.close(),
  };
}
