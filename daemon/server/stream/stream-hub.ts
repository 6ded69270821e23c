import type { Subscription as RxSubscription } from 'rxjs';
import type { SampleBlock } from '../../../shared/sample-block.ts';
import type { GatewayEvent } from '../../../shared/wire/events.ts';
import { ChannelDirectory } from './channel-directory.ts';
import { ClientSession, type SessionTransport } from './client-session.ts';
import { OUTBOX_LIMITS, type OutboxLimits } from './client-outbox.ts';
import { LiveFeed } from './live-feed.ts';
import { SampleFeed } from './sample-feed.ts';
import type { StreamContext } from './stream-context.ts';
import { STREAM_COUNTERS } from '../counters.ts';
import type { Access } from '../access/access.ts';

const SWEEP_MS = 1_000;

export type HubContext = Pick<StreamContext, 'gateway' | 'clock' | 'log' | 'counters' | 'stillHolds'> & { readonly outboxLimits?: OutboxLimits };

/**
 * Hands what the gateway says to every client. An event is written as JSON once, a batch of samples once per format,
 * live values once per rate; what a client is given of it is decided by its session.
 */
export class StreamHub {
  readonly #context: StreamContext;
  readonly #sessions = new Set<ClientSession>();
  readonly #sampleFeed: SampleFeed;
  #sampleClients: readonly ClientSession[] = [];
  readonly #liveFeeds = new Map<number, { readonly feed: LiveFeed; clients: ClientSession[] }>();
  readonly #subscriptions: RxSubscription[];
  #announcedSeq: number;
  #cancelSweep: () => void;

  constructor(context: HubContext) {
    const { gateway, clock } = context;
    const directory = new ChannelDirectory(gateway);
    this.#announcedSeq = gateway.store.status().lastSeq;
    this.#context = {
      ...context, directory, outboxLimits: context.outboxLimits ?? OUTBOX_LIMITS,
      announcedSeq: () => this.#announcedSeq, onSubscriptionChanged: () => this.#regroup(),
    };
    this.#sampleFeed = new SampleFeed({
      clock, toWallMs: (ms) => gateway.toWallMs(ms), channelIndex: (id) => directory.indexOf(id),
      publish: (batch) => {
        for (const session of this.#sampleClients) session.deliverSamples(batch);
      },
    });
    this.#subscriptions = [
      gateway.events$.subscribe((event) => this.#onEvent(event)),
      gateway.samples$.subscribe((block) => this.#onBlock(block)),
    ];
    this.#cancelSweep = clock.after(SWEEP_MS, () => this.#sweep());
  }

  get clientCount(): number {
    return this.#sessions.size;
  }

  /** Takes a client in and greets it. The caller hands messages to the session and calls `leave` when it is gone. */
  join(transport: SessionTransport, access: Access): ClientSession {
    const session = new ClientSession(transport, access, this.#context);
    this.#sessions.add(session);
    this.#context.counters.add(STREAM_COUNTERS.connections);
    this.#context.counters.set(STREAM_COUNTERS.clients, this.#sessions.size);
    return session;
  }

  leave(session: ClientSession): void {
    session.dispose();
    this.#sessions.delete(session);
    this.#context.counters.set(STREAM_COUNTERS.clients, this.#sessions.size);
    this.#regroup();
  }

  /** Says goodbye to all; nothing is delivered any more. */
  close(): void {
    for (const subscription of this.#subscriptions) subscription.unsubscribe();
    this.#cancelSweep();
    for (const { feed } of this.#liveFeeds.values()) feed.stop();
    this.#liveFeeds.clear();
    this.#sampleFeed.clear();
    for (const session of this.#sessions) session.close(1001, 'the gateway stops');
  }

  #onEvent(event: GatewayEvent): void {
    if (event.type === 'channel.state') this.#context.directory.refresh();
    if (event.type === 'reading.stored') this.#announcedSeq = Math.max(this.#announcedSeq, event.seq);
    let bytes: Uint8Array | null = null;
    const encoded = (): Uint8Array => (bytes ??= Buffer.from(JSON.stringify(event)));
    for (const session of this.#sessions) session.deliver(event, encoded);
  }

  #onBlock(block: SampleBlock): void {
    if (block.torque.length === 0) return;
    if (this.#sampleClients.length > 0) this.#sampleFeed.add(block);
    for (const { feed } of this.#liveFeeds.values()) feed.add(block);
  }

  #regroup(): void {
    const sessions = [...this.#sessions];
    this.#sampleClients = sessions.filter((session) => session.subscription !== null && session.subscription.samples !== null);
    if (this.#sampleClients.length === 0) this.#sampleFeed.clear();
    for (const group of this.#liveFeeds.values()) group.clients = [];
    for (const session of sessions) {
      const rateHz = session.subscription?.liveHz ?? 0;
      if (rateHz > 0) this.#liveGroup(rateHz).push(session);
    }
    for (const [rateHz, { feed, clients }] of this.#liveFeeds) {
      if (clients.length > 0) continue;
      feed.stop();
      this.#liveFeeds.delete(rateHz);
    }
  }

  #liveGroup(rateHz: number): ClientSession[] {
    let group = this.#liveFeeds.get(rateHz);
    if (group === undefined) {
      const { gateway, clock, directory } = this.#context;
      const feed = new LiveFeed(rateHz, {
        clock, toWallMs: (ms) => gateway.toWallMs(ms), unitOf: (id) => directory.unitOf(id), liveTorque: (id) => gateway.liveTorque(id),
        // Samples and live values of one moment share a write.
        onTurn: () => this.#sampleFeed.flush(),
        publish: (channel, message, samples) => {
          for (const session of this.#liveFeeds.get(rateHz)?.clients ?? []) session.deliverLive(channel, message, samples);
        },
      });
      group = { feed, clients: [] };
      this.#liveFeeds.set(rateHz, group);
    }
    return group.clients;
  }

  #sweep(): void {
    this.#cancelSweep = this.#context.clock.after(SWEEP_MS, () => this.#sweep());
    for (const session of this.#sessions) session.sweep();
  }
}
