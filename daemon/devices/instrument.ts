/** What the rest of the daemon knows of an instrument. Made by `createInstrument` in `instrument-runner.ts`. */
import type { Observable } from 'rxjs';
import type { DriverDefinition, InstrumentCommand } from '../../drivers/api.ts';
import type { AskNote, ByteChunk, OpenLink } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import type { SampleSourceState } from '../pipeline/sample-source.ts';
import type { InstrumentSettings } from '../settings/schema.ts';

export interface InstrumentDeps {
  readonly clock: Clock;
  readonly openLink: OpenLink;
  /** null or a fault: the settings name a driver that cannot be had; the instrument then needs attention and opens nothing. */
  readonly driver: DriverDefinition | TorsiondError | null;
  /** For serial links: is the port there? */
  readonly portExists: () => Promise<boolean> | boolean;
  /** Better than `portExists` where it can be had: also sees a port replaced or its permissions changed (`serialPortStamp`). */
  readonly portStamp?: () => Promise<string | null>;
  /** 0 to below 1; a seeded generator. Spreads the back-off. */
  readonly random: () => number;
  /**
   * Recorder tap: chunks as a driver gets them, in order, from the first of a connection to its last. The chunk is a
   * copy. What it throws is counted and changes nothing.
   */
  readonly onChunk?: (chunk: ByteChunk, epoch: number) => void;
  /** What a driver that asks did between the chunks. As `onChunk`. */
  readonly onNote?: (note: AskNote, epoch: number) => void;
  /** The driver failed (DRIVER_FAILED); `cause` is what it threw, where it threw. */
  readonly onDriverFailed?: (error: TorsiondError) => void;
  /** Asked before a chunk is copied for `onChunk`, or a note told. Left out: always. */
  readonly isTapped?: () => boolean;
}

/** No samples between these times. Comes at once, while the first block after the gap may be long in coming. */
export interface InstrumentGap {
  readonly instrument: string;
  readonly epoch: number;
  readonly reason: 'lost' | 'silence' | 'stopped';
  /** Arrival of the last samples before, monotonic ms; null when there were none. */
  readonly lastSampleMs: number | null;
  readonly atMs: number;
}

export interface Instrument {
  readonly id: string;
  /** While it streams, its transducers are filled from the data sheets that the device handed out. */
  readonly settings: InstrumentSettings;
  /** Channel ids in order: `${id}/1` … */
  readonly channels: readonly string[];
  info(): InstrumentInfo;
  /** Starts with the present state; then each change. Never errors. */
  readonly info$: Observable<InstrumentInfo>;
  /** Hot, never errors. Blocks of all channels, in order of arrival. */
  readonly blocks$: Observable<DeviceBlock>;
  /** Hot, never errors. A cycle that runs when this comes is interrupted. */
  readonly gaps$: Observable<InstrumentGap>;
  /** Nominal rate of a channel (0-based) on this connection, S/s; null while unknown. */
  sampleRateHz(channel: number): number | null;
  /** What its samples so far have made of time and count; null while they do not count. To be written down at once. */
  sampleState(): SampleSourceState | null;
  /** @throws TorsiondError CHANNEL_NOT_READY, COMMAND_UNSUPPORTED, DEVICE_TIMEOUT, or what the driver says */
  command(command: InstrumentCommand): Promise<void>;
  /** A person asks for another attempt now. */
  retry(): void;
  start(): void;
  /** Within 2 s, from any state. */
  stop(): Promise<void>;
  /** `name{instrument="id"}` or `name{channel="id/1"}` to value, for /metrics; all only grow. */
  counters(): ReadonlyMap<string, number>;
}
