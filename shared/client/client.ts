import { systemClock, type Clock } from '../clock.ts';
import { TorsiondError, type ErrorCode } from '../errors.ts';
import type { SampleFrame } from '../wire/binary-samples.ts';
import type { ClientMessage } from '../wire/commands.ts';
import type { HelloMessage, ServerMessage } from '../wire/events.ts';
import { backOffMs } from './back-off.ts';
import { ReadingCursor } from './cursor.ts';
import { Emitter } from './emitter.ts';
import { readIncoming } from './messages.ts';
import {
  DEFAULT_TIMING, pickInterest, type ChannelChange, type ChannelSamples, type ClientEvents, type ClientOptions, type ClientTiming,
  type Command, type Interest,
} from './options.ts';
import { PendingCommands } from './pending.ts';
import { socketOpener, streamUrl, type SocketLike } from './socket.ts';

type JsonSamples = Extract<ServerMessage, { type: 'samples' }>;
type OutgoingCommand = { [Type in ClientMessage['type']]: { type: Type } & Partial<Command<Type>> }[ClientMessage['type']];

interface Connection {
  readonly socket: SocketLike;
  readonly openedMs: number;
  hello: HelloMessage | null;
  subscribed: boolean;
  lastHeardMs: number;
  cancelTimer: () => void;
}

/**
 * Keeps one connection to a gateway alive for ever, and hands on what it says. Every stored reading after the
 * starting point reaches `reading.stored` once and in order, whatever happens to the connection.
 */
export class TorsiondClient {
  readonly #options: ClientOptions;
  readonly #timing: ClientTiming;
  readonly #clock: Clock;
  readonly #random: () => number;
  readonly #url: string;
  readonly #openSocket: () => SocketLike;
  readonly #emitter = new Emitter<ClientEvents>();
  readonly #pending: PendingCommands;
  readonly #cursor: ReadingCursor;
  #interest: Interest;
  #connection: Connection | null = null;
  #hello: HelloMessage | null = null;
  #failures = 0;
  #cancelRetry: () => void = () => undefined;
  #isClosed = false;
  #awaitingConnection: { resolve: (hello: HelloMessage) => void; reject: (error: TorsiondError) => void }[] = [];
  #counters = { connections: 0, repeatedReadings: 0, unreadable: 0, unknownTypes: 0 };

  /** @throws TorsiondError USAGE for an address or runtime that cannot work, ACCESS_TOKEN for an impossible token */
  constructor(options: ClientOptions) {
    this.#options = options;
    this.#timing = { ...DEFAULT_TIMING, ...options.timing };
    this.#clock = options.clock ?? systemClock;
    this.#random = options.random ?? (() => crypto.getRandomValues(new Uint32Array(1))[0]! / 2 ** 32);
    this.#url = streamUrl(options.url);
    this.#openSocket = socketOpener(options.WebSocket, this.#url, options.token ?? '');
    this.#pending = new PendingCommands(this.#clock);
    this.#cursor = new ReadingCursor(options.since ?? null);
    this.#interest = pickInterest(options);
    this.#open();
  }

  /** @returns the way to stop listening */
  on<Kind extends keyof ClientEvents>(kind: Kind, listener: (event: ClientEvents[Kind]) => void): () => void {
    return this.#emitter.on(kind, listener);
  }

  get isConnected(): boolean {
    return this.#connection?.subscribed ?? false;
  }

  /** The gateway's latest greeting; stays after a loss. */
  get hello(): HelloMessage | null {
    return this.#hello;
  }

  /** Last sequence number handed on; keep it to go on from here in another run. Null before the first connection. */
  get lastSeq(): number | null {
    return this.#cursor.seen;
  }

  /** What was dropped and why; all only grow. */
  get counters(): Readonly<Record<'connections' | 'repeatedReadings' | 'unreadable' | 'unknownTypes', number>> {
    return { ...this.#counters };
  }

  /** Ready for the next cycle. */
  arm(channel: string): Promise<unknown> {
    return this.#command({ type: 'arm', channel });
  }

  /** Stops capturing until armed. */
  hold(channel: string): Promise<unknown> {
    return this.#command({ type: 'hold', channel });
  }

  zero(channel: string): Promise<unknown> {
    return this.#command({ type: 'zero', channel });
  }

  /** Takes the track reading now. `zeroCheck`: also of an unloaded channel, to see its zero; not judged. */
  latch(channel: string, options: { readonly zeroCheck?: boolean } = {}): Promise<unknown> {
    return this.#command({ type: 'latch', channel, ...options });
  }

  configure(channel: string, change: ChannelChange): Promise<unknown> {
    return this.#command({ type: 'configure', channel, ...change });
  }

  scan(code: string): Promise<unknown> {
    return this.#command({ type: 'scan', code });
  }

  /** Changes what to be told of, now and after every reconnect. Readings go on where they were. */
  async subscribe(interest: Interest): Promise<void> {
    this.#interest = pickInterest(interest);
    if (this.#connection?.subscribed) await this.#subscribe();
  }

  /** Resolves when connected, at once if it is. @throws TorsiondError CLIENT_CLOSED */
  connected(): Promise<HelloMessage> {
    if (this.#isClosed) return Promise.reject(new TorsiondError('CLIENT_CLOSED', 'the client is closed'));
    if (this.isConnected && this.#hello) return Promise.resolve(this.#hello);
    return new Promise((resolve, reject) => this.#awaitingConnection.push({ resolve, reject }));
  }

  /** Ends for good; commands that await an answer are rejected, no event comes after it. */
  close(): void {
    if (this.#isClosed) return;
    this.#isClosed = true;
    this.#cancelRetry();
    const connection = this.#connection;
    this.#connection = null;
    connection?.cancelTimer();
    this.#pending.rejectAll('CLIENT_CLOSED', 'the client was closed');
    this.#emitter.clear();
    for (const waiting of this.#awaitingConnection.splice(0)) waiting.reject(new TorsiondError('CLIENT_CLOSED', 'the client was closed'));
    if (connection) closeQuietly(connection.socket, 'client closed');
  }

  #open(): void {
    let socket: SocketLike;
    try {
      socket = this.#openSocket();
    } catch (cause) {
      // The address and the token were checked before; what is left is for the runtime to know.
      this.#lost(null, new TorsiondError('CLIENT_DISCONNECTED', 'the connection could not be opened', { where: this.#url, cause }), null);
      return;
    }
    socket.binaryType = 'arraybuffer';
    const nowMs = this.#clock.monoMs();
    const connection: Connection = { socket, openedMs: nowMs, hello: null, subscribed: false, lastHeardMs: nowMs, cancelTimer: () => undefined };
    this.#connection = connection;
    connection.cancelTimer = this.#clock.after(this.#timing.connectMs, () => {
      this.#lost(connection, new TorsiondError('CLIENT_TIMEOUT', `no greeting within ${this.#timing.connectMs} ms`, { where: this.#url }), null);
    });
    let trouble: string | null = null;
    socket.addEventListener('message', (event) => {
      if (this.#connection === connection) this.#receive(connection, event.data);
    });
    socket.addEventListener('error', (event) => {
      trouble = typeof event.message === 'string' && event.message !== '' ? event.message : trouble;
    });
    socket.addEventListener('close', (event) => {
      const { code, why } = closeReason(event, trouble);
      this.#lost(connection, new TorsiondError(code, why, { where: this.#url }), event.code);
    });
  }

  #receive(connection: Connection, data: unknown): void {
    connection.lastHeardMs = this.#clock.monoMs();
    const incoming = readIncoming(data, this.#options.schema ?? null);
    switch (incoming.kind) {
      case 'samples':
        this.#passSamples(connection, incoming.frame);
        return;
      case 'unknown':
        this.#counters.unknownTypes += 1;
        return;
      case 'fault':
        this.#counters.unreadable += 1;
        this.#emitter.emit('fault', { what: incoming.what });
        return;
      case 'message':
        this.#handle(connection, incoming.message);
    }
  }

  #handle(connection: Connection, message: ServerMessage): void {
    switch (message.type) {
      case 'hello':
        this.#greeted(connection, message);
        return;
      case 'ok':
      case 'refused':
        this.#pending.answer(message);
        return;
      case 'reading.stored':
        this.#takeReading(message);
        return;
      case 'samples':
        this.#emitter.emit('samples', fromJson(message));
        return;
      default:
        this.#emitter.emit(message.type, message);
    }
  }

  #greeted(connection: Connection, hello: HelloMessage): void {
    const isFirst = connection.hello === null;
    connection.hello = hello;
    this.#hello = hello;
    if (isFirst) {
      const seen = this.#cursor.seen;
      const isOtherStore = this.#cursor.greet(hello.lastSeq, this.#options.recent ?? 0);
      if (isOtherStore) this.#emitter.emit('store.changed', { seen: seen ?? 0, lastSeq: hello.lastSeq });
    }
    this.#emitter.emit('hello', hello);
    if (!isFirst || this.#connection !== connection) return;
    this.#subscribe().then(
      () => this.#subscribed(connection, hello),
      (error: TorsiondError) => this.#lost(connection, error, null),
    );
  }

  #subscribed(connection: Connection, hello: HelloMessage): void {
    if (this.#connection !== connection) return;
    connection.subscribed = true;
    this.#counters.connections += 1;
    connection.cancelTimer();
    this.#watch(connection, this.#timing.heartbeatMs);
    for (const waiting of this.#awaitingConnection.splice(0)) waiting.resolve(hello);
    this.#emitter.emit('connected', hello);
  }

  async #subscribe(): Promise<void> {
    const since = this.#cursor.seen;
    const command: OutgoingCommand = { type: 'subscribe', ...this.#interest, ...(since === null ? {} : { since }) };
    await this.#ask(command, () => this.#cursor.answered());
  }

  #takeReading(message: ClientEvents['reading.stored']): void {
    const step = this.#cursor.take(message.seq, this.#interest.channels !== undefined);
    switch (step.kind) {
      case 'deliver':
        this.#emitter.emit('reading.stored', message);
        return;
      case 'deliver-after-hole':
        this.#emitter.emit('readings.missing', { from: step.from, to: step.to });
        this.#emitter.emit('reading.stored', message);
        return;
      case 'repeated':
      case 'early':
        this.#counters.repeatedReadings += 1;
        return;
      case 'ask-again': {
        const connection = this.#connection;
        this.#subscribe().catch((error: TorsiondError) => this.#lost(connection, error, null));
      }
    }
  }

  #passSamples(connection: Connection, frame: SampleFrame): void {
    const { channelIndex, ...rest } = frame;
    const channel = connection.hello?.channels.find((info) => info.index === channelIndex);
    if (channel) this.#emitter.emit('samples', { ...rest, channel: channel.id });
    else {
      this.#counters.unreadable += 1;
      this.#emitter.emit('fault', { what: `samples of channel index ${channelIndex}, which the greeting does not name` });
    }
  }

  /** Heartbeat: a dead network path sends nothing, not even an end. */
  #watch(connection: Connection, waitMs: number): void {
    const { heartbeatMs, steadyMs } = this.#timing;
    connection.cancelTimer = this.#clock.after(waitMs, () => {
      const nowMs = this.#clock.monoMs();
      if (nowMs - connection.openedMs >= steadyMs) this.#failures = 0;
      const quietMs = nowMs - connection.lastHeardMs;
      if (quietMs >= 2 * heartbeatMs) {
        this.#lost(connection, new TorsiondError('CLIENT_DISCONNECTED', `the gateway has been silent for ${Math.round(quietMs)} ms`, { where: this.#url }), null);
        return;
      }
      if (quietMs >= heartbeatMs) {
        this.#ask({ type: 'ping' }).catch(() => undefined);
        this.#watch(connection, Math.max(1, 2 * heartbeatMs - quietMs));
      } else {
        this.#watch(connection, Math.max(1, heartbeatMs - quietMs));
      }
    });
  }

  #lost(connection: Connection | null, error: TorsiondError, closeCode: number | null): void {
    if (this.#isClosed || this.#connection !== connection) return;
    this.#connection = null;
    if (connection) {
      connection.cancelTimer();
      if (connection.subscribed && this.#clock.monoMs() - connection.openedMs >= this.#timing.steadyMs) this.#failures = 0;
      closeQuietly(connection.socket, 'connection given up');
    }
    this.#pending.rejectAll('CLIENT_DISCONNECTED', 'the connection ended');
    this.#failures += 1;
    const retryInMs = backOffMs(this.#failures, this.#random(), { firstMs: this.#timing.firstRetryMs, longestMs: this.#timing.longestRetryMs });
    this.#cancelRetry = this.#clock.after(retryInMs, () => this.#open());
    this.#emitter.emit('disconnected', { error, closeCode, retryInMs });
  }

  #command(command: OutgoingCommand): Promise<unknown> {
    if (this.#isClosed) return Promise.reject(new TorsiondError('CLIENT_CLOSED', 'the client is closed'));
    if (!this.isConnected) return Promise.reject(new TorsiondError('CLIENT_DISCONNECTED', `"${command.type}" was not sent: there is no connection`));
    return this.#ask(command);
  }

  #ask(command: OutgoingCommand, onOk?: () => void): Promise<unknown> {
    const socket = this.#connection?.socket;
    if (!socket) return Promise.reject(new TorsiondError('CLIENT_DISCONNECTED', `"${command.type}" was not sent: there is no connection`));
    return this.#pending.ask(command.type, this.#timing.commandMs, (id) => {
      socket.send(JSON.stringify({ ...command, id }));
    }, onOk);
  }
}

/** Connects, and reconnects for ever. @throws TorsiondError USAGE, ACCESS_TOKEN for options that can never work */
export function connect(options: ClientOptions): TorsiondClient {
  return new TorsiondClient(options);
}

function fromJson(message: JsonSamples): ChannelSamples {
  const { channel, epoch, firstIndex, spacingMs, broken } = message;
  return { channel, epoch, firstIndex, startWallMs: Date.parse(message.startAt), spacingMs, broken, samples: Float64Array.from(message.torque) };
}

/** Programs learn from the error's text that the upgrade was refused; browsers hide it, there it is an unreached gateway. */
function closeReason(event: { code: number; reason: string }, trouble: string | null): { code: ErrorCode; why: string } {
  if (trouble !== null && /\b401\b/.test(trouble)) return { code: 'ACCESS_TOKEN', why: 'the gateway does not take the token' };
  if (trouble !== null && /\b403\b/.test(trouble)) return { code: 'ACCESS_ORIGIN', why: 'the gateway refuses this host or origin' };
  const why = event.reason || trouble || (event.code === 1006 ? 'the gateway was not reached or the connection broke' : `the gateway ended the connection (${event.code})`);
  return { code: 'CLIENT_DISCONNECTED', why };
}

function closeQuietly(socket: SocketLike, reason: string): void {
  try {
    socket.close(1000, reason);
  } catch {
    // Already closed or never opened: either way nothing is left to end.
  }
}
