/**
 * (g) Reading a plain trace: rows of a CSV file to sample blocks (`openTraceFile`), against what one would write: split
 * at line ends and commas, `Number`. And the whole replay of it, capture included.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { openInput } from '../../daemon/recording/input-file.ts';
import { openTraceFile } from '../../daemon/recording/trace-files.ts';
import { openReplayPipeline } from '../../daemon/recording/replay-pipeline.ts';
import { replayFile } from '../../daemon/recording/replay.ts';
import { ChannelSettings } from '../../daemon/settings/schema.ts';
import type { BenchLine } from './bench-line.ts';
import { plainRows, secondsOf, writeTrace } from './plain-rows.ts';
import { CAPACITY, pullSignal } from './signal.ts';

const RATE_HZ = 2_000;
const SECONDS = 1_000;
const TURNS = 3;

export async function run(): Promise<BenchLine[]> {
  const folder = mkdtempSync(join(tmpdir(), 'torsiond-bench-'));
  try {
    const path = join(folder, 'trace.csv');
    const rows = await writeTrace(path, pullSignal(RATE_HZ, SECONDS), RATE_HZ);
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
    openPipeline: (channel) => openReplayPipeline(channel, 'bench'), pace: () => null, stop: new AbortController().signal,
  });
  for await (const result of results) if (result.kind === 'reading') readings++;
  return readings > 0 ? rows : 0;
}
