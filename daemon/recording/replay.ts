/**
 * Files to readings, through the code of the live gateway: a recording through driver, sample clock and channel
 * pipeline; a plain trace through the channel pipeline.
 */
import { TorsiondError } from '../../shared/errors.ts';
import { NAMED_UNIT } from '../../shared/units.ts';
import { openInput, type OpenInput } from './input-file.ts';
import type { RecordingItem } from './recording-parser.ts';
import { recordingStretches } from './recording-reader.ts';
import { RecordingReplay } from './recording-replay.ts';
import type { ReplayOptions, ReplayResult } from './replay-types.ts';
import { openTraceFile } from './trace-files.ts';

/** The channel of a plain trace. */
export const TRACE_CHANNEL = 'trace/1';

/**
 * @param source path of a file, or `-` for standard input
 * @throws TorsiondError of the INPUT_ area, or what `onOpen` throws; what was found before it has been given
 */
export async function* replayFile(source: string, options: ReplayOptions): AsyncGenerator<ReplayResult, void, void> {
  const input = await openInput(source, options.format);
  try {
    options.onOpen?.(input.kind, input.size);
    if (input.kind === 'mcap') yield* replayRecording(input, options);
    else yield* replayTrace(input, options);
  } finally {
    input.close();
  }
}

async function* replayTrace(input: OpenInput, options: ReplayOptions): AsyncGenerator<ReplayResult, void, void> {
  const { traceSettings } = options;
  const source = input.path;
  const trace = await openTraceFile({ input, channel: TRACE_CHANNEL, asked: options.asked, blockSize: options.blockSize });
  for (const note of trace.notes) yield { kind: 'note', text: note };
  options.onOrigin?.(trace.originWallMs);
  const pipeline = options.openPipeline({
    source, channel: TRACE_CHANNEL, settings: { ...traceSettings, deviceUnit: NAMED_UNIT }, isSimulated: false,
    toWallMs: (monoMs) => trace.originWallMs + monoMs,
  });
  let fault: unknown = null;
  try {
    for await (const block of trace.blocks) {
      await options.pace(block.startMs);
      if (options.stop.aborted) break;
      options.onBytes?.(input.bytesRead());
      for (const result of pipeline.push(block)) yield result.kind === 'fault' ? { kind: 'fault', error: tooSlow(result.error, options) } : result;
    }
  } catch (thrown) {
    fault = thrown;
  }
  for (const note of trace.lateNotes()) yield { kind: 'note', text: note };
  // Also before a fault: the cycle that it cuts is told as interrupted, never judged.
  yield* pipeline.end();
  if (fault !== null) throw fault as Error;
}

/** Milliseconds that are read as seconds make a rate that no mode can do with: the same fault, with what else it may be. */
function tooSlow(error: TorsiondError, { asked }: ReplayOptions): TorsiondError {
  if (error.code !== 'RATE_TOO_LOW' || asked.timeUnit !== undefined) return error;
  return new TorsiondError(error.code, error.message, { ...(error.where === null ? {} : { where: error.where }), hint: `${error.hint} If the times are no seconds, say what they are with --time-unit.`, cause: error });
}

async function* replayRecording(input: OpenInput, options: ReplayOptions): AsyncGenerator<ReplayResult, void, void> {
  const recording = new RecordingReplay(input.path, options);
  let hasOrigin = false;
  stretches: for await (const next of recordingStretches(input, options.onBytes)) {
    for (let item = next(); item !== null; item = next()) {
      if (options.stop.aborted) break stretches;
      if (item.kind === 'chunk') {
        const waiting = options.pace(item.chunk.atMs);
        if (waiting) await waiting;
        const results = recording.feed(item.connection, item.chunk);
        // Nearly always there at once, and empty: no promise for each of millions of chunks.
        if (results instanceof Promise) yield* await results;
        else if (results.length > 0) yield* results;
        continue;
      }
      if (item.kind === 'connection') {
        if (!hasOrigin) options.onOrigin?.(item.connection.startMonoMs + item.connection.wallOffsetMs);
        hasOrigin = true;
      }
      yield* played(recording, item);
    }
  }
  yield* recording.end();
}

async function* played(recording: RecordingReplay, item: Exclude<RecordingItem, { kind: 'chunk' }>): AsyncGenerator<ReplayResult, void, void> {
  switch (item.kind) {
    case 'connection': return yield* recording.connect(item.connection);
    case 'mark': return yield* recording.mark(item.mark);
    case 'cut': yield { kind: 'fault', error: item.error };
  }
}
