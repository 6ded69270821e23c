/** Plain traces to sample blocks: finds the sample rate, puts the samples on an even time base, tells every hole. */
import { TorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock, GapReason } from '../../shared/sample-block.ts';
import type { OpenInput } from './input-file.ts';
import type { TraceAsked } from './trace-head.ts';
import { openCsvRows, openNdjsonRows, type RowBatch, type TraceRows } from './trace-rows.ts';

export interface TraceFileOptions {
  readonly input: OpenInput;
  readonly channel: string;
  readonly asked?: TraceAsked;
  /** Samples per block; 1 to 65 536, default 256. It changes nothing but memory: block borders mean nothing. */
  readonly blockSize?: number;
}

export interface TraceFile {
  /** Nominal sample rate, S/s. */
  readonly rateHz: number;
  /** UCUM code of the values. */
  readonly unit: string;
  /** What `startMs` of the blocks counts from: the first time of the file, taken as seconds since 1970, in ms. */
  readonly originWallMs: number;
  /** For people: what was passed over, taken for granted or is uneven. */
  readonly notes: readonly string[];
  /** The same of what was only found while reading; whole after the last block. */
  readonly lateNotes: () => readonly string[];
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
/** Times that leave the even spacing by more than this share (99 of 100 by less) are told, and their readings flagged. */
const EVEN_SHARE = 0.1;
/** Times this far apart, in a column that only by default holds seconds, are rather milliseconds, s. */
const SUSPECT_S = 1;
/** So many more uneven distances than one of 100: the times are not even any more. */
const UNEVEN = 4;
/** They are again when the same is made up for by 100 even ones each. */
const MOST_UNEVEN = 8;
/** Times that run this many spacings off within so many samples (0.8 %) have another rate. */
const OFF_RATE_SPACINGS = 2;
const OFF_RATE_EVERY = 256;
const onGrid = (milliseconds: number): number => Math.round(milliseconds * GRID) / GRID;

interface Looked {
  readonly batches: RowBatch[];
  readonly timesS: readonly number[];
  readonly bad: TorsiondError | null;
}

/** @throws TorsiondError INPUT_NOT_FOUND, INPUT_NO_COLUMN, INPUT_FORMAT (no even rate), INPUT_BAD_ROW */
export async function openTraceFile(options: TraceFileOptions): Promise<TraceFile> {
  const { input, asked = {} } = options;
  const { path } = input;
  try {
    const rows = await (input.kind === 'csv' ? openCsvRows : openNdjsonRows)(input, asked);
    const looked = await lookAhead(path, rows);
    const { timesS, bad } = looked;
    if (timesS.length < 3) {
      throw bad ?? new TorsiondError('INPUT_FORMAT', `the trace has ${timesS.length} ${timesS.length === 1 ? 'row' : 'rows'}; a sample rate needs at least 3`, { where: path });
    }
    const { rateHz, unevenShare } = sampleRate(path, timesS);
    if (!rows.isTimeAsked && rows.originS() === 0) refuseMilliseconds(path, rows.timeName, timesS, rateHz);
    const isUneven = unevenShare > EVEN_SHARE;
    const uneven = `the times leave an even spacing by up to ${Math.round(unevenShare * 100)} % of it; readings are flagged time-estimated`;
    const lateNotes: string[] = [];
    return {
      rateHz, unit: rows.unit, lateNotes: () => lateNotes,
      originWallMs: (rows.originS() + timesS[0]!) * 1_000,
      notes: [...rows.notes(), ...(isUneven ? [uneven] : [])],
      blocks: blocksOf(joined(looked, rows), timesS[0]!, rateHz, isUneven, rows, options, lateNotes),
    };
  } catch (thrown) {
    input.close();
    throw thrown;
  }
}

/** Rows enough to find the rate. What stands before a bad row is still read; the fault comes in its place. */
async function lookAhead(path: string, rows: TraceRows): Promise<Looked> {
  const batches: RowBatch[] = [];
  const timesS: number[] = [];
  try {
    while (timesS.length <= LOOK_AHEAD) {
      const next = await rows.batches.next();
      if (next.done) break;
      const { count, timeS, line } = next.value;
      batches.push(next.value);
      for (let i = 0; i < count && timesS.length <= LOOK_AHEAD; i++) {
        if (timesS.length > 0 && !(timeS[i]! > timesS.at(-1)!)) return { batches, timesS, bad: notLater(path, rows.timeName, line[i]!, timeS[i]!, timesS.at(-1)!) };
        timesS.push(timeS[i]!);
      }
    }
  } catch (thrown) {
    if (!(thrown instanceof TorsiondError) || thrown.code !== 'INPUT_BAD_ROW') throw thrown;
    return { batches, timesS, bad: thrown };
  }
  return { batches, timesS, bad: null };
}

async function* joined({ batches, bad }: Looked, rows: TraceRows): AsyncGenerator<RowBatch, void, void> {
  try {
    yield* batches;
    if (bad) throw bad;
    yield* rows.batches;
  } finally {
    await rows.batches.return();
  }
}

function notLater(path: string, name: string, line: number, timeS: number, beforeS: number): TorsiondError {
  return new TorsiondError('INPUT_BAD_ROW', `line ${line}: ${name} is ${timeS}, not later than ${beforeS} on the line before`, { where: `${path}:${line}` });
}

function refuseMilliseconds(path: string, name: string, timesS: readonly number[], rateHz: number): void {
  if (rateHz > 1 / SUSPECT_S || (rateHz === 1 / SUSPECT_S && !timesS.every((time) => Number.isInteger(time)))) return;
  throw new TorsiondError('INPUT_FORMAT', `"${name}" is taken for seconds, and its times are ${Number((1 / rateHz).toPrecision(4))} apart: that would be ${Number(rateHz.toPrecision(3))} samples/s; they look like milliseconds`, {
    where: path, hint: 'Give --time-unit ms, or --time-unit s when they are seconds; nothing was judged.',
  });
}

/** From the median spacing, refined by the mean of those that fit it, snapped to three digits when these say the same. */
function sampleRate(path: string, timesS: readonly number[]): { rateHz: number; unevenShare: number } {
  const spacings = timesS.slice(1).map((time, i) => time - timesS[i]!);
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
  const offs = fitting.map((spacing) => Math.abs(spacing / mean - 1)).sort((a, b) => a - b);
  return {
    rateHz: Math.abs(round - rate) <= 0.0005 * rate ? round : rate,
    // One sample of a short trace is no measure: the hundredth part of the worst is left out.
    unevenShare: offs[Math.floor(0.99 * (offs.length - 1))]!,
  };
}

async function* blocksOf(
  batches: AsyncGenerator<RowBatch, void, void>, originS: number, rateHz: number, isUneven: boolean, rows: TraceRows, options: TraceFileOptions,
  lateNotes: string[],
): AsyncGenerator<DeviceBlock, void, void> {
  const { input: { path }, channel } = options;
  const { unit } = rows;
  const size = Math.min(65_536, Math.max(1, Math.floor(options.blockSize ?? 256)));
  const spacingS = 1 / rateHz;
  const spacingMs = onGrid(1_000 / rateHz);
  const holeS = HOLE * spacingS;
  const bunchedS = BUNCHED * spacingS;
  const values = new Float64Array(size);
  let count = 0;
  let firstIndex = 0;
  let index = 0;
  let gap: GapReason | null = 'connected';
  let anchor = { index: 0, atMs: 0 };
  let beforeS = Number.NaN;
  let way = { index: 0, timeS: 0 };
  let misfits = 0;
  let uneven = 0;
  let timeEstimated = isUneven;

  const take = (): DeviceBlock => {
    const block: DeviceBlock = {
      channel, epoch: 1, firstIndex, gap,
      startMs: anchor.atMs + (firstIndex - anchor.index) * spacingMs,
      spacingMs, rateHz, timeEstimated, unit,
      device: values.slice(0, count), status: null,
    };
    gap = null;
    count = 0;
    return block;
  };

  try {
    for await (const batch of batches) {
      const { timeS, torque, line } = batch;
      for (let i = 0; i < batch.count; i++) {
        const time = timeS[i]!;
        const isFirst = Number.isNaN(beforeS);
        if (!isFirst && !(time > beforeS)) throw notLater(path, rows.timeName, line[i]!, time, beforeS);
        const distance = isFirst ? spacingS : time - beforeS;
        const steps = distance > holeS ? Math.max(2, Math.round(distance / spacingS)) : 1;
        misfits = steps > 1 || distance < bunchedS ? misfits + 1 : 0;
        if (misfits > MOST_MISFITS) {
          throw new TorsiondError('INPUT_BAD_ROW', `line ${line[i]!}: the times stop to fit ${Number(rateHz.toPrecision(6))} S/s`, { where: `${path}:${line[i]!}` });
        }
        if (!isFirst) index += steps;
        if (steps === 1) uneven = Math.abs(distance - spacingS) > EVEN_SHARE * spacingS ? Math.min(MOST_UNEVEN, uneven + 1) : Math.max(0, uneven - 0.01);
        if (isFirst || steps > 1 || index - way.index >= OFF_RATE_EVERY) way = { index, timeS: time };
        else if (Math.abs(time - way.timeS - (index - way.index) * spacingS) > OFF_RATE_SPACINGS * spacingS) uneven = MOST_UNEVEN;
        const isEstimated = isUneven || (timeEstimated ? uneven > 0 : uneven >= UNEVEN);
        if (isEstimated && !timeEstimated && lateNotes.length === 0) {
          lateNotes.push(`from line ${line[i]!} on times leave the even spacing of ${Number(rateHz.toPrecision(6))} samples/s; readings from there are flagged time-estimated`);
        }
        const isNewAnchor = isFirst || steps > 1 || index - anchor.index >= ANCHOR_EVERY;
        if (count > 0 && (isNewAnchor || count === size || isEstimated !== timeEstimated)) yield take();
        timeEstimated = isEstimated;
        if (steps > 1) gap = 'lost-samples';
        if (isNewAnchor) anchor = { index, atMs: onGrid((time - originS) * 1_000) };
        if (count === 0) firstIndex = index;
        values[count++] = torque[i]!;
        beforeS = time;
      }
    }
  } catch (thrown) {
    // The samples before the fault are still given, so that a reading completed there is not lost.
    if (count > 0) yield take();
    throw thrown;
  } finally {
    await batches.return();
  }
  if (count > 0) yield take();
}
