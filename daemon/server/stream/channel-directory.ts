import { TorsiondError } from '../../../shared/errors.ts';
import type { ChannelInfo } from '../../../shared/wire/events.ts';
import type { Gateway } from '../gateway.ts';

/** Index, unit and instrument of every channel, kept so that a block costs a look-up and not a list. */
export class ChannelDirectory {
  readonly #gateway: Pick<Gateway, 'channels'>;
  #byId = new Map<string, ChannelInfo>();

  constructor(gateway: Pick<Gateway, 'channels'>) {
    this.#gateway = gateway;
    this.refresh();
  }

  refresh(): void {
    this.#byId = new Map(this.#gateway.channels().map((info) => [info.id, info]));
  }

  indexOf(channel: string): number {
    return this.#find(channel)?.index ?? 0;
  }

  unitOf(channel: string): string {
    return this.#find(channel)?.settings.unit ?? 'N.m';
  }

  instrumentOf(channel: string): string | null {
    return this.#find(channel)?.instrument ?? null;
  }

  /** @throws TorsiondError CHANNEL_UNKNOWN listing those that exist */
  require(channels: readonly string[]): void {
    const unknown = channels.find((channel) => this.#find(channel) === undefined);
    if (unknown === undefined) return;
    const known = [...this.#byId.keys()].join(', ') || 'none';
    throw new TorsiondError('CHANNEL_UNKNOWN', `there is no channel "${unknown}"; known are: ${known}`, { where: unknown });
  }

  #find(channel: string): ChannelInfo | undefined {
    const known = this.#byId.get(channel);
    if (known !== undefined) return known;
    this.refresh();
    return this.#byId.get(channel);
  }
}
