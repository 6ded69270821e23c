/** What the client is given and what it tells. */
import type { Clock } from '../clock.ts';
import type { TorsiondError } from '../errors.ts';
import type { SampleFrame } from '../wire/binary-samples.ts';
import type { ClientMessage } from '../wire/commands.ts';
import type { HelloMessage, ServerMessage } from '../wire/events.ts';
import type { MessageSchema } from './messages.ts';
import type { SocketConstructor } from './socket.ts';

export type Command<Type extends ClientMessage['type']> = Omit<Extract<ClientMessage, { type: Type }>, 'type' | 'id'>;

/** What to be told of. Everything may be left out: all channels, all events, 10 live values a second, no samples. */
export type Interest = Partial<Omit<Command<'subscribe'>, 'since'>>;
export type ChannelChange = Omit<Command<'configure'>, 'channel'>;

export interface ClientOptions extends Interest {
  /** The gateway's address, for example `http://127.0.0.1:7616`; a path other than `/` is kept. */
  readonly url: string;
  /** Access token; empty when the gateway needs none. */
  readonly token?: string;
  /** Last sequence number the application has: every later reading comes, in order. 0: all there are. Left out: only new ones. */
  readonly since?: number;
  /** Without `since`: begin with so many of the latest stored readings. Default 0. */
  readonly recent?: number;
  /** For runtimes without one of their own: the class of the `ws` package. */
  readonly WebSocket?: SocketConstructor;
  /** Checks every text message as a whole, for example the zod schema `ServerMessage`. Default: only what the client itself relies on. */
  readonly schema?: MessageSchema;
  readonly clock?: Clock;
  /** A draw from [0, 1), for the jitter of the back-off. */
  readonly random?: () => number;
  readonly timing?: Partial<ClientTiming>;
}

export interface ClientTiming {
  /** From the attempt to the answered subscription. */
  readonly connectMs: number;
  readonly commandMs: number;
  /** Quiet for so long: ping. Quiet for so long again: the connection counts as lost. */
  readonly heartbeatMs: number;
  readonly firstRetryMs: number;
  readonly longestRetryMs: number;
  /** The back-off starts anew only after a connection stood so long. */
  readonly steadyMs: number;
}

export const DEFAULT_TIMING: ClientTiming = {
  connectMs: 10_000, commandMs: 10_000, heartbeatMs: 5_000, firstRetryMs: 250, longestRetryMs: 10_000, steadyMs: 5_000,
};

export interface LostConnection {
  readonly error: TorsiondError;
  /** Close code of the WebSocket, or null when there was none. */
  readonly closeCode: number | null;
  /** Until the next attempt. */
  readonly retryInMs: number;
}

/** Samples of one channel, whether they came as bytes or as JSON: torque in N.m, counter-clockwise negative. */
export interface ChannelSamples extends Omit<SampleFrame, 'channelIndex'> {
  readonly channel: string;
}

/** The gateway's events by their type, and the client's own. */
export type ClientEvents = {
  [Message in Exclude<ServerMessage, { type: 'ok' | 'refused' | 'samples' }> as Message['type']]: Message;
} & {
  /** Subscribed; readings missed meanwhile follow. */
  'connected': HelloMessage;
  'disconnected': LostConnection;
  'samples': ChannelSamples;
  /** The gateway's store does not hold these sequence numbers. */
  'readings.missing': { readonly from: number; readonly to: number };
  /** The gateway came back with another store (its last number is lower than what was seen): its readings come from the first. */
  'store.changed': { readonly seen: number; readonly lastSeq: number };
  /** A message could not be read and was dropped. */
  'fault': { readonly what: string };
};

/** Only the fields that go into `subscribe`. */
export function pickInterest({ channels, events, liveHz, samples }: Interest): Interest {
  return {
    ...(channels === undefined ? {} : { channels }),
    ...(events === undefined ? {} : { events }),
    ...(liveHz === undefined ? {} : { liveHz }),
    ...(samples === undefined ? {} : { samples }),
  };
}
