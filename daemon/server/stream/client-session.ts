import { asTorsiondError, TorsiondError } from '../../../shared/errors.ts';
import { COMMAND_SCOPES, type ClientMessage } from '../../../shared/wire/commands.ts';
import type { GatewayEvent, HelloMessage, ServerMessage } from '../../../shared/wire/events.ts';
import type { StoredReading } from '../../storage/store.ts';
import { scopeCovers, type Access } from '../access/access.ts';
import { STREAM_COUNTERS } from '../counters.ts';
import { ClientOutbox, type OutboxTransport } from './client-outbox.ts';
import { MAX_PENDING_COMMANDS, MESSAGES_PER_SECOND, readMessage } from './incoming.ts';
import { RateLimit } from '../../../shared/rate-limit.ts';
import { ReadingResume } from './reading-resume.ts';
import type { SampleBatch } from './sample-batch.ts';
import type { StreamContext } from './stream-context.ts';
import { Subscription } from './subscription.ts';

export const FIRST_MESSAGE_MS = 5_000;
export const HEARTBEAT_MS = 15_000;
export const MAX_MISSED_HEARTBEATS = 2;
/** A socket that was closed and does not answer is cut after this. */
const CLOSING_MS = 2_000;

export interface SessionTransport extends OutboxTransport {
  answerPing(payload: Buffer): void;
  terminate(): void;
}

/** One WebSocket client: what it asked for, what it may do, what it is sent. Knows no socket. */
export class ClientSession {
  readonly access: Access;
  readonly outbox: ClientOutbox;
  readonly #transport: SessionTransport;
  readonly #context: StreamContext;
  readonly #limit: RateLimit;
  #subscription: Subscription | null = null;
  #resume: ReadingResume | null = null;
  /** The latest of each state that changed while nothing was subscribed: what `hello` said of it is old by then. */
  readonly #changedStates = new Map<string, GatewayEvent>();
  /** Index that the next sample of a channel has if the client misses nothing. */
  readonly #nextIndex = new Map<string, number>();
  #pendingCommands = 0;
  readonly #openedMs: number;
  #hasSpoken = false;
  #heardMs: number;
  #heartbeatMs: number;
  #missed = 0;
  #closingMs: number | null = null;
  #countedSkips = 0;

  constructor(transport: SessionTransport, access: Access, context: StreamContext) {
    this.#transport = transport;
    this.access = access;
    this.#context = context;
    const nowMs = context.clock.monoMs();
    this.#openedMs = this.#heardMs = this.#heartbeatMs = nowMs;
    this.#limit = new RateLimit(MESSAGES_PER_SECOND, nowMs);
    this.outbox = new ClientOutbox(transport, () => context.clock.monoMs(), () => this.#onRoom(), context.outboxLimits);
    this.#tell(this.#hello());
  }

  get subscription(): Subscription | null {
    return this.#subscription;
  }

  /** A message came in. */
  receive(data: Buffer, isBinary: boolean): void {
    if (this.#closingMs !== null || !this.#heard()) return;
    if (isBinary) {
      this.close(1003, 'commands are text');
      return;
    }
    const incoming = readMessage(data.toString('utf8'));
    if (incoming.kind === 'invalid') {
      this.#refuse(incoming.id, incoming.error);
      return;
    }
    this.#hasSpoken = true;
    this.#context.counters.add(STREAM_COUNTERS.commands);
    const { message } = incoming;
    try {
      this.#obey(message);
    } catch (thrown) {
      this.#refuse(message.id, thrown);
    }
  }

  /** A ping of the client. Counts like a message. */
  receivePing(payload: Buffer): void {
    if (this.#closingMs === null && this.#heard()) this.#transport.answerPing(payload);
  }

  /** The answer to a probe, or one that nobody asked for, which counts like a message. */
  receiveAnswer(mark: number | null): void {
    if (this.#closingMs !== null) return;
    if (mark !== null && this.outbox.acknowledged(mark)) this.#heardMs = this.#context.clock.monoMs();
    else this.#heard();
  }

  deliver(event: GatewayEvent, encoded: () => Uint8Array): void {
    const subscription = this.#subscription;
    if (this.#closingMs !== null) return;
    if (subscription === null) {
      const state = stateName(event);
      if (state !== null) this.#changedStates.set(state, event);
      return;
    }
    if (event.type === 'reading.stored') {
      // The place in the sequence counts for readings of other channels too.
      this.#resume?.announced(event.seq, () => {
        if (subscription.wantsChannel(event.reading.channel)) this.outbox.send(encoded());
      });
    } else if (subscription.wants(event)) {
      this.outbox.send(encoded());
    }
  }

  deliverLive(channel: string, message: Uint8Array, samples: number): void {
    const subscription = this.#subscription;
    if (subscription === null || !subscription.wantsChannel(channel)) return;
    // Where the samples themselves are delivered, they are what counts as skipped.
    this.outbox.offer(message, false, channel, subscription.samples === null ? samples : 0);
  }

  deliverSamples(batch: SampleBatch): void {
    const subscription = this.#subscription;
    if (!subscription?.samples || !subscription.wantsChannel(batch.channel)) return;
    const { samples: format } = subscription;
    if (this.outbox.isSlow) {
      this.#nextIndex.delete(batch.channel);
      this.outbox.skip(batch.channel, batch.torque.length);
      return;
    }
    const isBroken = batch.isBroken || this.#nextIndex.get(batch.channel) !== batch.firstIndex;
    const isSent = this.outbox.offer(batch.encoded(format, isBroken), format !== 'json', batch.channel, batch.torque.length);
    if (isSent) this.#nextIndex.set(batch.channel, batch.firstIndex + batch.torque.length);
    else this.#nextIndex.delete(batch.channel);
  }

  /** Called about once a second. */
  sweep(): void {
    const nowMs = this.#context.clock.monoMs();
    this.#countSkips();
    if (this.#closingMs !== null) {
      if (nowMs - this.#closingMs >= CLOSING_MS) this.#transport.terminate();
      return;
    }
    if (!this.#hasSpoken && nowMs - this.#openedMs >= FIRST_MESSAGE_MS) {
      this.close(1008, `no valid message within ${FIRST_MESSAGE_MS / 1_000} s`);
    } else if (!this.#context.stillHolds(this.access)) {
      this.close(1008, 'the token was revoked');
    } else if (nowMs - this.#heartbeatMs >= HEARTBEAT_MS) {
      this.#heartbeat(nowMs);
    }
    this.outbox.check();
  }

  close(code: number, reason: string): void {
    this.outbox.close(code, reason);
  }

  /** The transport was told to close, by whatever part. */
  onClosing(): void {
    this.#closingMs ??= this.#context.clock.monoMs();
    this.#resume?.stop();
  }

  /** The socket is gone. */
  dispose(): void {
    this.onClosing();
    this.#countSkips();
    this.#subscription = null;
    this.#resume = null;
  }

  #heartbeat(nowMs: number): void {
    this.#missed = this.#heardMs < this.#heartbeatMs ? this.#missed + 1 : 0;
    this.#heartbeatMs = nowMs;
    if (this.#missed >= MAX_MISSED_HEARTBEATS) this.#transport.terminate();
    else this.outbox.heartbeat();
  }

  /** Notes a sign of life; false when there were too many. */
  #heard(): boolean {
    const nowMs = this.#context.clock.monoMs();
    this.#heardMs = nowMs;
    if (this.#limit.take(nowMs)) return true;
    this.close(1008, `more than ${MESSAGES_PER_SECOND} messages a second`);
    return false;
  }

  #obey(message: ClientMessage): void {
    const needed = COMMAND_SCOPES[message.type];
    if (!scopeCovers(this.access.scope, needed)) {
      throw new TorsiondError('ACCESS_SCOPE', `"${message.type}" needs a token of scope ${needed}; this one has ${this.access.scope}`);
    }
    switch (message.type) {
      case 'ping':
        this.#tell({ type: 'ok', id: message.id });
        return;
      case 'subscribe':
        this.#subscribe(message);
        return;
      case 'unsubscribe':
        this.#setSubscription(null, null);
        this.#tell({ type: 'ok', id: message.id });
        return;
      case 'scan':
        this.#context.gateway.scan(message.code, `client:${this.access.label}`);
        this.#tell({ type: 'ok', id: message.id });
        return;
      default:
        void this.#command(message);
    }
  }

  async #command(message: Parameters<StreamContext['gateway']['command']>[0]): Promise<void> {
    try {
      if (this.#pendingCommands >= MAX_PENDING_COMMANDS) {
        throw new TorsiondError('LIMIT_REACHED', `${MAX_PENDING_COMMANDS} commands of this client are under way`);
      }
      this.#pendingCommands += 1;
      try {
        const result = await this.#context.gateway.command(message);
        this.#tell(result === undefined ? { type: 'ok', id: message.id } : { type: 'ok', id: message.id, result });
      } finally {
        this.#pendingCommands -= 1;
      }
    } catch (thrown) {
      this.#refuse(message.id, thrown);
    }
  }

  #subscribe(message: Extract<ClientMessage, { type: 'subscribe' }>): void {
    const announcedSeq = this.#context.announcedSeq();
    if (message.since !== undefined && message.since > announcedSeq) {
      throw new TorsiondError('SEQ_BEYOND', `since is ${message.since}, but the last reading stored here is ${announcedSeq}`);
    }
    const subscription = new Subscription(message, this.#context.directory);
    const cursor = message.since ?? announcedSeq;
    const resume = subscription.wantsKind('reading.stored') ? this.#newResume(cursor, subscription) : null;
    this.#setSubscription(subscription, resume);
    this.#tell({ type: 'ok', id: message.id, result: { lastSeq: announcedSeq, liveHz: subscription.liveHz } });
    for (const event of this.#changedStates.values()) if (subscription.wants(event)) this.#tell(event);
    this.#changedStates.clear();
    resume?.start();
  }

  #setSubscription(subscription: Subscription | null, resume: ReadingResume | null): void {
    this.#resume?.stop();
    this.#resume = resume;
    this.#subscription = subscription;
    this.#nextIndex.clear();
    this.#context.onSubscriptionChanged();
  }

  #newResume(cursor: number, subscription: Subscription): ReadingResume {
    return new ReadingResume(cursor, {
      store: this.#context.gateway.store, clock: this.#context.clock, announcedSeq: this.#context.announcedSeq,
      hasRoom: () => this.outbox.hasRoom,
      send: (stored) => {
        if (subscription.wantsChannel(stored.reading.channel)) this.#tell(storedEvent(stored));
      },
      onCatchUp: () => this.#context.counters.add(STREAM_COUNTERS.catchUps),
      onFailed: (error) => {
        this.#context.log.error({ code: error.code, client: this.access.label }, `cannot read stored readings for a client: ${error.message}`);
        this.close(1011, 'stored readings cannot be read; come back with since');
      },
    });
  }

  #onRoom(): void {
    const at = new Date(this.#context.clock.wallMs()).toISOString();
    for (const [channel, count] of this.outbox.takeSkipped()) this.#tell({ type: 'samples.skipped', at, channel, count, reason: 'slow-client' });
    this.#resume?.roomAgain();
  }

  #countSkips(): void {
    const total = this.outbox.skippedTotal;
    if (total > this.#countedSkips) this.#context.counters.add(STREAM_COUNTERS.samplesSkipped, total - this.#countedSkips);
    this.#countedSkips = total;
  }

  #refuse(id: string | null, thrown: unknown): void {
    const error = asTorsiondError(thrown);
    this.#context.counters.add(STREAM_COUNTERS.commandsRefused);
    if (error.code === 'INTERNAL') this.#context.log.error({ client: this.access.label, err: error }, 'a command failed unexpectedly');
    // What an unexpected fault says of the inside of the daemon is for the log.
    const message = error.code === 'INTERNAL' ? 'the command failed unexpectedly; the log of the gateway says why' : error.message;
    this.#tell({ type: 'refused', id, code: error.code, message, hint: error.hint });
  }

  #tell(message: ServerMessage): void {
    this.outbox.send(Buffer.from(JSON.stringify(message)));
  }

  #hello(): HelloMessage {
    const { gateway, clock } = this.#context;
    return {
      type: 'hello', at: new Date(clock.wallMs()).toISOString(), station: gateway.station, version: gateway.version,
      protocol: 'torsiond.v1', instruments: [...gateway.instruments()], channels: [...gateway.channels()], scanners: [...gateway.scanners()],
      lastSeq: this.#context.announcedSeq(), scope: this.access.scope,
    };
  }
}

/** What an event tells the state of; null: it tells of something that happened. */
function stateName(event: GatewayEvent): string | null {
  switch (event.type) {
    case 'instrument.state': return `instrument ${event.instrument.id}`;
    case 'channel.state': return `channel ${event.channel.id}`;
    case 'scanner.state': return `scanner ${event.scanner.id}`;
    case 'store.state': return 'store';
    default: return null;
  }
}

function storedEvent(stored: StoredReading): ServerMessage {
  return { type: 'reading.stored', at: new Date(stored.storedAtMs).toISOString(), seq: stored.reading.seq ?? 0, reading: stored.reading };
}
