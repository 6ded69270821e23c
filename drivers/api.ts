/** Meaning: what a driver is. Everything a driver author needs is here and in `links/link.ts`. */
import type { Observable } from 'rxjs';
import type { ZodType } from 'zod';
import type { Clock } from '../shared/clock.ts';
import { TorsiondError } from '../shared/errors.ts';
import type { ByteLink } from './links/link.ts';

/** The version of this interface. A breaking change takes the next number. */
export const DRIVER_API_VERSION = 1;

/** `pushed`: the device streams by itself. `polled`: the driver asks. */
export type Delivery = 'pushed' | 'polled';

export interface DriverCapabilities {
  /** `either`: its options decide, and `delivery` of the definition says what they make of it. */
  readonly delivery: Delivery | 'either';
  /** Whether `start` can learn who the device is. */
  readonly identifies: boolean;
  /** Commands the session's `command` takes. */
  readonly commands: readonly InstrumentCommand['kind'][];
  /** The values are counts of a converter, never torque: the settings must say what they mean. */
  readonly sendsCounts?: boolean;
}

/** What the device says of itself; empty strings where it says nothing. */
export interface InstrumentIdentity {
  readonly maker: string;
  readonly model: string;
  readonly serialNumber: string;
  readonly firmware: string;
}

/** The electronic data sheet of a channel's transducer, as its memory holds it. Not checked: the gateway decodes it. */
export interface DataSheetImage {
  /** 0-based channel of the instrument. */
  readonly channel: number;
  readonly bytes: Uint8Array;
}

export type InstrumentCommand = { readonly kind: 'zero' } | { readonly kind: 'send'; readonly text: string };

/**
 * What one or more frames meant. Samples travel in runs: consecutive values of one channel that arrived together.
 * A sample that cannot be used is a `fault` that says how many samples it stands for, so that indices stay true.
 */
export type DriverEvent =
  | {
      readonly kind: 'values';
      /** 0-based channel of the instrument. */
      readonly channel: number;
      /** As sent, in the unit the settings or the lines name. Magnitude at most `LARGEST_VALUE`, never NaN. The receiver's to keep. */
      readonly values: Float64Array;
      /** UCUM code when the device names its unit, else null: the settings decide. */
      readonly unit: string | null;
      /** STATUS bits of `shared/sample-block.ts` per value, or null when all are clean. */
      readonly status: Uint8Array | null;
      /** Arrival of the chunk that completed the last value. */
      readonly atMs: number;
    }
  | {
      readonly kind: 'fault';
      readonly error: TorsiondError;
      /** The channel it concerns; null: all of them. */
      readonly channel: number | null;
      /** How many samples of each concerned channel are missing here; 0: none, only told. */
      readonly missing: number;
      readonly atMs: number;
    };

/** Counters a session keeps; all only grow. */
export interface DriverCounters {
  readonly frames: number;
  readonly faults: number;
  /** Bytes thrown away: the first partial line, garbage, over-long lines, the last partial line. */
  readonly discardedBytes: number;
}

export interface DriverContext<Options> {
  readonly options: Options;
  readonly link: ByteLink;
  readonly clock: Clock;
  /** Aborted when the runner gives up on a `start` that is under way. Of a session that has started it is aborted after `stop`. */
  readonly signal: AbortSignal;
}

export interface DriverSession {
  /** Hot, never errors, synchronous with the arrival of bytes. Completes when the link ends or after `stop`. */
  readonly events$: Observable<DriverEvent>;
  /** Begins to listen, identifies where it can, sends the start command. Called once. */
  start(): Promise<InstrumentIdentity | null>;
  /** What `start` read of the transducers' memories; left out: this driver reads none. */
  dataSheets?(): readonly DataSheetImage[];
  command(command: InstrumentCommand): Promise<void>;
  /** Idempotent. Sends the stop command while the link is open; does not close the link. */
  stop(): Promise<void>;
  counters(): DriverCounters;
}

export interface DriverDefinition<Options = unknown> {
  /** The version of this interface that the driver was written for, as a number: the constant is that of whichever gateway runs it. */
  readonly apiVersion: number;
  /** kebab-case; what the settings name. */
  readonly id: string;
  readonly title: string;
  readonly optionsSchema: ZodType<Options>;
  readonly capabilities: DriverCapabilities;
  /** Number of channels that these options describe, at least 1. */
  channelCount(options: Options): number;
  /** Needed with `either`: what these options make of it. */
  delivery?(options: Options): Delivery;
  /** Samples per second that these options make, for drivers that ask at a set rate; null or left out: the device decides. */
  sampleRateHz?(options: Options): number | null;
  /** Channels whose transducers' data sheets a session with these options asks for, first 0. Left out: not known before it did. */
  dataSheetChannels?(options: Options): readonly number[];
  /** Does no input or output. */
  createSession(context: DriverContext<Options>): DriverSession;
}

export function defineDriver<Options>(definition: DriverDefinition<Options>): DriverDefinition<Options> {
  return definition;
}

/** @throws TorsiondError DRIVER_FAILED when the driver leaves it to its options and does not say what they mean */
export function deliveryOf<Options>(driver: DriverDefinition<Options>, options: Options): Delivery {
  const { delivery } = driver.capabilities;
  if (delivery !== 'either') return delivery;
  const decided = driver.delivery?.(options);
  if (decided === undefined) throw new TorsiondError('DRIVER_FAILED', `the driver "${driver.id}" says delivery "either" and has no function delivery(options)`, { where: driver.id });
  return decided;
}
