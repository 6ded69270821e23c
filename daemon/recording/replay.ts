/**
 * Files to readings, through the code of the live gateway: a recording through driver, sample clock and channel
 * pipeline; a plain trace through the channel pipeline.
 */
import { valueUnit } from '../pipeline/channel-pipeline.ts';
import { inputKind, type InputKind } from './input-file.ts';
import { readRecording } from './recording-reader.ts';
import { RecordingReplay } from './recording-replay.ts';
import type { ReplayOptions, ReplayResult } from './replay-types.ts';
import { openTraceFile } from './trace-files.ts';

/** The channel of a plain trace. */
export const TRACE_CHANNEL = 'trace/1';

/** @throws TorsiondError of the INPUT_ area; what was found before it has been given */
export async function* replayFile(source: string, options: ReplayOptions): AsyncGenerator<ReplayResult, void, void> {
  const kind = await inputKind(source);
  if (kind === 'mcap') yield* replayRecording(source, options);
  else yield* replayTrace(source, kind, options);
}

async function* replayTrace(source: string, kind: Exclude<InputKind, 'mcap'>, options: ReplayOptions): AsyncGenerator<ReplayResult, void, void> {
  const { traceSettings } = options;
  const trace = await openTraceFile({
    path: source, kind, channel: TRACE_CHANNEL, columns: options.columns, unit: valueUnit(traceSettings), blockSize: options.blockSize,
    ...(options.onBytes ? { onBytes: options.onBytes } : {}),
  });
  const pipeline = options.openPipeline({
    source, channel: TRACE_CHANNEL, settings: traceSettings, isSimulated: false, toWallMs: (monoMs) => trace.originWallMs + monoMs,
  });
  let fault: unknown = null;
  try {
    for await (const block of trace.blocks) {
      await options.pace(block.startMs);
      if (options.stop.aborted) break;
      yield* pipeline.push(block);
    }
  } catch (thrown) {
    fault = thrown;
  }
  // Also before a fault: the cycle that it cuts is told as interrupted, never judged.
  yield* pipeline.end();
  if (fault !== null) throw fault as Error;
}

async function* replayRecording(source: string, options: ReplayOptions): AsyncGenerator<ReplayResult, void, void> {
  const recording = new RecordingReplay(source, options);
  for await (const item of readRecording(source, options.onBytes)) {
    if (options.stop.aborted) break;
    if (item.kind === 'cut') yield { kind: 'fault', error: item.error };
    else if (item.kind === 'connection') yield* recording.connect(item.connection);
    else if (item.kind === 'mark') yield* recording.mark(item.mark);
    else {
      await options.pace(item.chunk.atMs);
      yield* recording.feed(item.connection, item.chunk);
    }
  }
  yield* recording.end();
}
