/**
 * (h) Replay of recordings: bytes through driver, sample clock and capture to readings, samples per second against the
 * rows per second of what one would write to read a CSV file. Files were made by the recorder beforehand. Lines at 1 kS/s
 * come five to a chunk, and a chunk costs as much as some twenty samples: their ratio is the worst and swings with other work.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { findDriver } from '../../drivers/registry.ts';
import { openReplayPipeline } from '../../daemon/recording/replay-pipeline.ts';
import { replayFile } from '../../daemon/recording/replay.ts';
import { ChannelSettings } from '../../daemon/settings/schema.ts';
import type { BenchLine } from './bench-line.ts';
import { frames, makeRecording, numberLines, wordyLines, type MadeInstrument } from './made-recording.ts';
import { plainRows, secondsOf, writeTrace } from './plain-rows.ts';
import { CAPACITY, pullSignal } from './signal.ts';

const ROWS_RATE_HZ = 2_000;
const ROWS_SECONDS = 1_000;
const TURNS = 5;

interface Case {
  readonly what: string;
  readonly seconds: number;
  readonly instruments: readonly MadeInstrument[];
  readonly atLeast: number;
}

const CASES: readonly Case[] = [
  { what: 'lines at 1 kS/s and frames at 20 kS/s', seconds: 90, instruments: [wordyLines('lines', 1_000), frames('frames', 20_000)], atLeast: 0.94 },
  { what: 'frames at 20 kS/s', seconds: 90, instruments: [frames('frames', 20_000)], atLeast: 0.94 },
  { what: 'frames at 10 kS/s', seconds: 180, instruments: [frames('frames', 10_000)], atLeast: 0.94 },
  { what: 'lines of a number at 1 kS/s', seconds: 600, instruments: [numberLines('lines', 1_000)], atLeast: 0.4 },
  { what: 'lines with unit and status at 1 kS/s', seconds: 600, instruments: [wordyLines('lines', 1_000)], atLeast: 0.4 },
];

export async function run(): Promise<BenchLine[]> {
  const folder = mkdtempSync(join(tmpdir(), 'torsiond-bench-'));
  try {
    const trace = join(folder, 'trace.csv');
    const rows = await writeTrace(trace, pullSignal(ROWS_RATE_HZ, ROWS_SECONDS), ROWS_RATE_HZ);
    const made: (Case & { readonly path: string; readonly samples: number; best: number })[] = [];
    for (const [i, each] of CASES.entries()) {
      const path = join(folder, `${i}.mcap`);
      made.push({ ...each, path, samples: await makeRecording(path, each.seconds, each.instruments), best: Infinity });
    }
    let plain = Infinity;
    for (let turn = 0; turn < TURNS; turn++) {
      plain = Math.min(plain, await secondsOf(() => plainRows(trace), rows));
      for (const each of made) each.best = Math.min(each.best, await secondsOf(() => replayed(each.path), each.samples));
    }
    const plainMps = rows / plain / 1e6;
    return made.map(({ what, samples, best, atLeast }) => {
      const mps = samples / best / 1e6;
      return {
        name: `(h) replay of a recording / plain split loop: ${what}`, ratio: mps / plainMps, atLeast,
        detail: `${mps.toFixed(2)} million samples/s against ${plainMps.toFixed(2)} million rows/s, best of ${TURNS}`,
      };
    });
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

/** @returns samples that came to a pipeline */
async function replayed(path: string): Promise<number> {
  let samples = 0;
  let readings = 0;
  const results = replayFile(path, {
    traceSettings: ChannelSettings.parse({ transducer: { serialNumber: 'HF-0042 (invented)', capacity: CAPACITY }, capture: { mode: 'peak' } }),
    adapt: (recorded) => recorded, asked: {}, blockSize: 256, findDriver,
    openPipeline: (channel) => {
      const pipeline = openReplayPipeline(channel, 'bench');
      return {
        ...pipeline,
        push: (block) => {
          samples += block.device.length;
          return pipeline.push(block);
        },
      };
    },
    pace: () => null, stop: new AbortController().signal,
  });
  for await (const result of results) {
    if (result.kind === 'reading') readings++;
    else if (result.kind === 'fault') throw result.error;
  }
  if (readings === 0) throw new Error('no reading came of the recording');
  return samples;
}
