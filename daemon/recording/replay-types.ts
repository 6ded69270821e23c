/** What a replay is given and what it gives. */
import type { DriverDefinition } from '../../drivers/api.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import type { DismissedCycle, InterruptedCycle, InterruptReason, Reading } from '../../shared/reading.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { ChannelSettings } from '../settings/schema.ts';
import type { RecordedMark } from './recording-format.ts';
import type { InputKind } from './input-file.ts';
import type { TraceAsked } from './trace-head.ts';

export type ReplayResult =
  | { readonly kind: 'reading'; readonly reading: Reading }
  | { readonly kind: 'interrupted'; readonly cycle: InterruptedCycle }
  | { readonly kind: 'dismissed'; readonly cycle: DismissedCycle }
  | { readonly kind: 'loaded'; readonly note: LoadedNote }
  /** About the file, for a person. */
  | { readonly kind: 'note'; readonly text: string }
  /** Something a person should know; what was read before it is sound. */
  | { readonly kind: 'fault'; readonly error: TorsiondError };

/** Torque stood at rest where none should be. */
export interface LoadedNote {
  readonly type: 'channel.loaded';
  readonly source: string;
  readonly channel: string;
  readonly unit: string;
  readonly torque: number;
  /** When it had stood long enough to say so. */
  readonly at: string;
}

/** One channel's way from blocks to readings. */
export interface ReplayPipeline {
  push(block: DeviceBlock): readonly ReplayResult[];
  /** The samples end here. @param reason of a cycle that runs; default: the record ended */
  end(reason?: InterruptReason): readonly ReplayResult[];
  /** Before its first samples: goes on as a live channel did. @param state `PipelineState` @throws TorsiondError INPUT_FORMAT */
  restore(state: unknown): void;
  /** Captures from here on, after a start in the midst of a cycle. @param state `IdleState` @throws TorsiondError INPUT_FORMAT */
  startCapture(state: unknown): readonly ReplayResult[];
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
  /** Wall time of a block's time, ms since 1970. */
  readonly toWallMs: (monoMs: number) => number;
}

export interface ReplayOptions {
  /** Settings of a recorded channel as they are to hold in this replay. `hasCommands`: what people did is replayed too. */
  readonly adapt: (recorded: ChannelSettings, source: string, hasCommands: boolean) => ChannelSettings;
  /** Settings of a plain trace, which carries none. */
  readonly traceSettings: ChannelSettings;
  /** What a person says of a plain trace. */
  readonly asked: TraceAsked;
  /** Instead of what the content tells. */
  readonly format?: InputKind | undefined;
  /** Samples per block of a plain trace. */
  readonly blockSize: number;
  /** `origin`: where the driver came from when it was recorded, null for a built-in one. May throw why there is none. */
  readonly findDriver: (id: string, origin: string | null) => DriverDefinition | undefined;
  readonly openPipeline: (channel: ReplayChannel) => ReplayPipeline;
  /** Called before bytes or samples of that time are handed on: waits, for a replay that is not at full speed; null: goes on. */
  readonly pace: (atMs: number) => Promise<void> | null;
  readonly stop: AbortSignal;
  /** Called when the file is open; `size` in bytes, null where it is not known. May throw. */
  readonly onOpen?: (kind: InputKind, size: number | null) => void;
  /** Called with the wall time at which the file begins, ms since 1970. */
  readonly onOrigin?: (wallMs: number) => void;
  /** Called with the number of bytes read of the file. */
  readonly onBytes?: (bytes: number) => void;
}
