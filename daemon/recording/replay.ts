/**
 * Files to readings, through the code of the live gateway: a recording through driver, sample clock and channel
 * pipeline; a plain trace through the channel pipeline.
 */
import type { DriverDefinition } from '../../drivers/api.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import type { InterruptedCycle, InterruptReason, Reading } from '../../shared/reading.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { ChannelSettings } from '../settings/schema.ts';
import { inputKind, type InputKind } from './input-file.ts';
import { readRecording } from './recording-reader.ts';
import type { RecordedMark } from './recording-format.ts';
import { RecordingReplay } from './recording-replay.ts';
import { openTraceFile } from './trace-files.ts';
import type { TraceColumns } from './trace-rows.ts';

export type ReplayResult =
  | { readonly kind: 'reading'; readonly reading: Reading }
  | { readonly kind: 'interrupted'; readonly cycle: InterruptedCycle }
  /** Something a person should know; what was read before it is sound. */
  | { readonly kind: 'fault'; readonly error: TorsiondError };

/** One channel's way from blocks to readings. */
export interface ReplayPipeline {
  push(block: DeviceBlock): readonly ReplayResult[];
  /** The samples end here. @param reason of a cycle that runs; default: the record ended */
  end(reason?: InterruptReason): readonly ReplayResult[];
  /** Does what somebody did at the channel then. What was refused then is refused again. */
  act(action: ChannelAction): readonly ReplayResult[];
}

export type ChannelAction = Extract<RecordedMark, { kind: 'command' | 'configure' }>;

export interface ReplayChannel {
  /** The file, as the person gave it. */
  readonly source: string;
  readonly channel: string;
  readonly settings: ChannelSettings;
  readonly isSimulated: boolean;
  /** Zero at the beginning, N.m; undefined: as the settings say. */
  readonly startZero?: number | undefined;
  /** Wall time of a block's time, ms since 1970. */
  readonly toWallMs: (monoMs: number) => number;
}

export interface ReplayOptions {
  /** Settings of a recorded channel as they are to hold in this replay. `hasCommands`: what people did is replayed too. */
  readonly adapt: (recorded: ChannelSettings, source: string, hasCommands: boolean) => ChannelSettings;
  /** Settings of a plain trace, which carries none. */
  readonly traceSettings: ChannelSettings;
  readonly columns: TraceColumns;
  /** Samples per block of a plain trace. */
  readonly blockSize: number;
  readonly findDriver: (id: string) => DriverDefinition | undefined;
  readonly openPipeline: (channel: ReplayChannel) => ReplayPipeline;
  /** Called before bytes or samples of that time are handed on: waits, for a replay that is not at full speed. */
  readonly pace: (atMs: number) => Promise<void>;
  readonly stop: AbortSignal;
  /** Called with the number of bytes read of the file. */
  readonly onBytes?: (bytes: number) => void;
}

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
    path: source, kind, channel: TRACE_CHANNEL, columns: options.columns, unit: traceSettings.unit, blockSize: options.blockSize,
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
