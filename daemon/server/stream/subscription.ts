import type { ClientMessage } from '../../../shared/wire/commands.ts';
import type { GatewayEvent } from '../../../shared/wire/events.ts';
import type { ChannelDirectory } from './channel-directory.ts';
import { servedLiveHz } from './live-feed.ts';
import type { SampleFormat } from './sample-batch.ts';

/** What one client asked for. */
export class Subscription {
  readonly liveHz: number;
  readonly samples: SampleFormat | null;
  readonly #channels: ReadonlySet<string> | null;
  readonly #instruments: ReadonlySet<string> | null;
  readonly #kinds: ReadonlySet<string> | null;

  /** @throws TorsiondError CHANNEL_UNKNOWN */
  constructor(asked: Extract<ClientMessage, { type: 'subscribe' }>, directory: ChannelDirectory) {
    directory.require(asked.channels ?? []);
    this.#channels = asked.channels === undefined ? null : new Set(asked.channels);
    this.#instruments = asked.channels === undefined
      ? null : new Set(asked.channels.flatMap((channel) => directory.instrumentOf(channel) ?? []));
    this.#kinds = asked.events === undefined ? null : new Set(asked.events);
    this.liveHz = this.wantsKind('channel.live') ? servedLiveHz(asked.liveHz) : 0;
    this.samples = asked.samples === 'none' ? null : asked.samples;
  }

  wantsKind(kind: string): boolean {
    return this.#kinds === null || this.#kinds.has(kind);
  }

  wantsChannel(channel: string): boolean {
    return this.#channels === null || this.#channels.has(channel);
  }

  wants(event: GatewayEvent): boolean {
    if (!this.wantsKind(event.type)) return false;
    switch (event.type) {
      case 'instrument.state': return this.#instruments === null || this.#instruments.has(event.instrument.id);
      case 'channel.state': return this.wantsChannel(event.channel.id);
      case 'reading.captured': case 'reading.stored': case 'reading.not-stored': return this.wantsChannel(event.reading.channel);
      case 'channel.live': case 'cycle.started': case 'click.detected': case 'cycle.interrupted': case 'cycle.dismissed': return this.wantsChannel(event.channel);
      case 'store.state': case 'scanner.state': case 'scan.seen': return true;
    }
  }
}
