/** Plain traces to sample blocks: finds the sample rate, puts the samples on an even time base, tells every hole. */
import { TorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock, GapReason } from '../../shared/sample-block.ts';
import { DEFAULT_COLUMNS, readCsvRows, readNdjsonRows, type OnBytes, type TraceColumns, type TraceRow } from './trace-rows.ts';

export interface TraceFileOptions {
  readonly path: string;
  readonly kind: 'csv' | 'ndjson';
  readonly channel: string;
  readonly columns?: TraceColumns;
  /** UCUM code of the torque column; default N.m. */
  readonly unit?: string;
  /** Samples per block; 1 to 65 536, default 256. It changes nothing but memory: block borders mean nothing. */
  readonly blockSize?: number;
  readonly onBytes?: OnBytes;
}

export interface TraceFile {
  /** Nominal sample rate, S/s. */
  readonly rateHz: number;
  /** What `startMs` of the blocks counts from: the first time of the file, taken as seconds since 1970, in ms. */
  readonly originWallMs: number;
  /**
   * Blocks as they are read, memory bounded. Given once.
   * @throws TorsiondError INPUT_BAD_ROW, after every block before the bad row was given
   */
  readonly blocks: AsyncGenerator<DeviceBlock, void, void>;
}

/** Rows looked at to find the sample rate. */
const LOOK_AHEAD = 2_048;
/** Wider than this many spacings is a hole. */
const HOLE = 1.5;
/** Narrower than this many spacings is a time that does not fit an even rate. */
const BUNCHED = 0.5;
/** So many ill-fitting distances in a row are another sample rate, not a hole. */
const MOST_MISFITS = 16;
/** The time base takes the file's own time again after so many samples, whatever the block size. */
const ANCHOR_EVERY = 4_096;
/** Times lie on a grid of 2^-24 ms (60 ps): sums of them are exact, so no split of the file changes a time. */
const GRID = 2 ** 24;
const onGrid = (milliseconds: number): number => Math.round(milliseconds * GRID) / GRID;

/** @throws TorsiondError INPUT_NOT_FOUND, INPUT_NO_COLUMN, INPUT_FORMAT (no even rate), INPUT_BAD_ROW */
export async function openTraceFile(options: TraceFileOptions): Promise<TraceFile> {
  const { path, kind, columns = DEFAULT_COLUMNS } = options;
  const rows = (kind === 'csv' ? readCsvRows : readNdjsonRows)(path, columns, options.onBytes);
  const head: TraceRow[] = [];
  let bad: TorsiondError | null = null;
  try {
    let before: TraceRow | null = null;
    while (head.length <= LOOK_AHEAD) {
      const next = await rows.next();
      if (next.done) break;
      checkOrder(path, before, next.value, columns.time);
      head.push(next.value);
      before = next.value;
    }
  } catch (thrown) {
    // What stands before the bad row is still read; the fault comes in its place.
    if (!(thrown instanceof TorsiondError) || thrown.code !== 'INPUT_BAD_ROW') throw thrown;
    bad = thrown;
  }
  if (head.length < 3) {
    await rows.return();
    throw bad ?? new TorsiondError('INPUT_FORMAT', `the trace has ${head.length} ${head.length === 1 ? 'row' : 'rows'}; a sample rate needs at least 3`, { where: path });
  }
  let rateHz: number;
  try {
    rateHz = sampleRate(path, head);
  } catch (thrown) {
    await rows.return();
    throw thrown;
  }
  return {
    rateHz,
    originWallMs: head[0]!.timeS * 1_000,
    blocks: blocksOf(joined(head, bad, rows), head[0]!.timeS, rateHz, options),
  };
}

async function* joined(head: readonly TraceRow[], bad: TorsiondError | null, rest: AsyncGenerator<TraceRow, void, void>): AsyncGenerator<TraceRow, void, void> {
  try {
    yield* head;
    if (bad) throw bad;
    yield* rest;
  } finally {
    await rest.return();
  }
}

function checkOrder(path: string, before: TraceRow | null, row: TraceRow, name: string): void {
  if (before === null || row.timeS > before.timeS) return;
  throw new TorsiondError('INPUT_BAD_ROW', `line ${row.line}: ${name} is ${row.timeS}, not later than ${before.timeS} on line ${before.line}`, { where: `${path}:${row.line}` });
}

/** From the median spacing, refined by the mean of those that fit it, snapped to three digits when these say the same. */
function sampleRate(path: string, rows: readonly TraceRow[]): number {
  const spacings = rows.slice(1).map((row, i) => row.timeS - rows[i]!.timeS);
  const median = spacings.toSorted((a, b) => a - b)[spacings.length >> 1]!;
  const fitting = spacings.filter((spacing) => spacing >= BUNCHED * median && spacing <= HOLE * median);
  const mean = fitting.reduce((sum, spacing) => sum + spacing, 0) / fitting.length;
  const holes = spacings.filter((spacing) => spacing > HOLE * mean).length;
  const bunched = spacings.filter((spacing) => spacing < BUNCHED * mean).length;
  if (bunched > 0.02 * spacings.length || holes > 0.1 * spacings.length + 1) {
    throw new TorsiondError('INPUT_FORMAT',
      `the times are not evenly spaced: of ${spacings.length} distances ${bunched} are under half and ${holes} over one and a half of ${Number((mean * 1_000).toPrecision(4))} ms`,
      { where: path, hint: 'Give a trace sampled at an even rate; nothing was judged.' });
  }
  const rate = 1 / mean;
  const round = Number(rate.toPrecision(3));
  return Math.abs(round - rate) <= 0.0005 * rate ? round : rate;
}

async function* blocksOf(
  rows: AsyncGenerator<TraceRow, void, void>, originS: number, rateHz: number, options: TraceFileOptions,
): AsyncGenerator<DeviceBlock, void, void> {
  const { path, channel, columns = DEFAULT_COLUMNS } = options;
  const size = Math.min(65_536, Math.max(1, Math.floor(options.blockSize ?? 256)));
  const spacingS = 1 / rateHz;
  const spacingMs = onGrid(1_000 / rateHz);
  const values = new Float64Array(size);
  let count = 0;
  let firstIndex = 0;
  let index = 0;
  let gap: GapReason | null = 'connected';
  let anchor = { index: 0, atMs: 0 };
  let before: TraceRow | null = null;
  let misfits = 0;

  const take = (): DeviceBlock => {
    const block: DeviceBlock = {
      channel, epoch: 1, firstIndex, gap,
      startMs: anchor.atMs + (firstIndex - anchor.index) * spacingMs,
      spacingMs, rateHz, timeEstimated: false,
      unit: options.unit ?? 'N.m',
      device: values.slice(0, count), status: null,
    };
    gap = null;
    count = 0;
    return block;
  };

  try {
    for await (const row of rows) {
      checkOrder(path, before, row, columns.time);
      const distance = before === null ? spacingS : row.timeS - before.timeS;
      const steps = distance > HOLE * spacingS ? Math.max(2, Math.round(distance / spacingS)) : 1;
      misfits = steps > 1 || distance < BUNCHED * spacingS ? misfits + 1 : 0;
      if (misfits > MOST_MISFITS) {
        throw new TorsiondError('INPUT_BAD_ROW', `line ${row.line}: the times stop to fit ${Number(rateHz.toPrecision(6))} S/s`, { where: `${path}:${row.line}` });
      }
      if (before !== null) index += steps;
      const newAnchor = before === null || steps > 1 || index - anchor.index >= ANCHOR_EVERY;
      if (count > 0 && (newAnchor || count === size)) yield take();
      if (steps > 1) gap = 'lost-samples';
      if (newAnchor) anchor = { index, atMs: onGrid((row.timeS - originS) * 1_000) };
      if (count === 0) firstIndex = index;
      values[count++] = row.torque;
      before = row;
    }
  } catch (thrown) {
    // The samples before the fault are still given, so that a reading completed there is not lost.
    if (count > 0) yield take();
    throw thrown;
  } finally {
    await rows.return();
  }
  if (count > 0) yield take();
}
