/**
 * (g) Reading a plain trace: rows of a CSV file to sample blocks (`openTraceFile`), against what one would write: split
 * at line ends and commas, `Number`. And the whole replay of it, capture included.
 */
import { createReadStream, createWriteStream, mkdtempSync, rmSync } from 'node:fs';
import { once } from 'node:events';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { openInput } from '../../daemon/recording/input-file.ts';
import { openTraceFile } from '../../daemon/recording/trace-files.ts';
import { openReplayPipeline } from '../../daemon/recording/replay-pipeline.ts';
import { replayFile } from '../../daemon/recording/replay.ts';
import { ChannelSettings } from '../../daemon/settings/schema.ts';
import type { BenchLine } from './bench-line.ts';
import { CAPACITY, pullSignal } from './signal.ts';

const RATE_HZ = 2_000;
const SECONDS = 1_000;
const TURNS = 3;

export async function run(): Promise<BenchLine[]> {
  const folder = mkdtempSync(join(tmpdir(), 'torsiond-bench-'));
  try {
    const path = join(folder, 'trace.csv');
    const rows = await writeTrace(path);
    const best = { plain: Infinity, blocks: Infinity, replay: Infinity };
    for (let turn = 0; turn < TURNS; turn++) {
      best.plain = Math.min(best.plain, await secondsOf(() => plainRows(path), rows));
      best.blocks = Math.min(best.blocks, await secondsOf(() => blockRows(path), rows));
      best.replay = Math.min(best.replay, await secondsOf(() => replayedRows(path, rows), rows));
    }
    const told = (seconds: number): string => `${(rows / seconds / 1e6).toFixed(2)} against ${(rows / best.plain / 1e6).toFixed(2)} million rows/s, best of ${TURNS}`;
    return [
      { name: '(g) CSV rows to blocks / plain split loop', ratio: best.plain / best.blocks, atLeast: 0.6, detail: told(best.blocks) },
      { name: '(g) whole replay of a CSV trace, peak / plain split loop', ratio: best.plain / best.replay, atLeast: 0.6, detail: told(best.replay) },
    ];
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

async function writeTrace(path: string): Promise<number> {
  const torque = pullSignal(RATE_HZ, SECONDS);
  const stream = createWriteStream(path);
  stream.write('time_s,torque_Nm\n');
  for (let at = 0; at < torque.length; at += 10_000) {
    const lines = Array.from(torque.subarray(at, at + 10_000), (value, i) => `${((at + i) / RATE_HZ).toFixed(6)},${value.toFixed(4)}\n`);
    if (!stream.write(lines.join(''))) await once(stream, 'drain');
  }
  stream.end();
  await once(stream, 'close');
  return torque.length;
}

/** @throws Error when not every row was seen */
async function secondsOf(read: () => Promise<number>, rows: number): Promise<number> {
  const began = performance.now();
  const seen = await read();
  if (seen !== rows) throw new Error(`${seen} of ${rows} rows were read`);
  return (performance.now() - began) / 1_000;
}

async function plainRows(path: string): Promise<number> {
  let rest = '';
  let count = 0;
  let isHeader = true;
  for await (const part of createReadStream(path, { encoding: 'utf8', highWaterMark: 262_144 }) as AsyncIterable<string>) {
    const lines = (rest + part).split('\n');
    rest = lines.pop()!;
    for (const line of lines) {
      const [time, torque] = line.split(',');
      if (isHeader) isHeader = false;
      else if (Number.isFinite(Number(time)) && Number.isFinite(Number(torque))) count++;
    }
  }
  return count;
}

async function blockRows(path: string): Promise<number> {
  const trace = await openTraceFile({ input: await openInput(path), channel: 'bench/1' });
  let count = 0;
  for await (const block of trace.blocks) count += block.device.length;
  return count;
}

async function replayedRows(path: string, rows: number): Promise<number> {
  const settings = ChannelSettings.parse({
    zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-0042 (invented)', capacity: CAPACITY }, capture: { mode: 'peak' },
  });
  let readings = 0;
  const results = replayFile(path, {
    traceSettings: settings, adapt: (recorded) => recorded, asked: {}, blockSize: 256, findDriver: () => undefined,
    openPipeline: (channel) => openReplayPipeline(channel, 'bench'), pace: async () => {}, stop: new AbortController().signal,
  });
  for await (const result of results) if (result.kind === 'reading') readings++;
  return readings > 0 ? rows : 0;
}
