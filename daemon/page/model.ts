/** What the page knows, and how each event changes it. Pure: no elements, no clock. */
import type { ClientEvents } from '../../shared/client/index.ts';
import type { DismissReason, InterruptReason, Reading } from '../../shared/reading.ts';
import { convertTorque } from '../../shared/units.ts';
import type { ChannelInfo, HelloMessage, InstrumentInfo, ScannerInfo } from '../../shared/wire/events.ts';
import { LiveTape } from './live-tape.ts';

/** Kept per channel, and in the list of all. */
export const READINGS_PER_CHANNEL = 10;
export const READINGS_IN_LIST = 25;

export interface ChannelView {
  info: ChannelInfo;
  instrument: InstrumentInfo | null;
  /** In the channel's unit, signed; null while nothing is live. */
  live: number | null;
  readonly tape: LiveTape;
  /** Newest first. */
  readings: readonly Reading[];
  /** Set until the next cycle begins. */
  interrupted: { readonly reason: InterruptReason; readonly maximum: number; readonly unit: string } | null;
  /** The last torque without a reading; until the next cycle begins. */
  dismissed: { readonly reason: DismissReason; readonly maximum: number; readonly unit: string } | null;
  /** Torque at the click of the running cycle, in the channel's unit. */
  click: number | null;
}

/** The large figure: the reading while one is held, else what is live; in the channel's unit, which may be another one than the reading's. */
export function figureOf({ info, readings: [latest], live }: ChannelView): number | null {
  if (info.state !== 'held' || latest === undefined) return live;
  return convertTorque(latest.value, latest.unit, info.settings.unit);
}

export interface ListedReading {
  readonly reading: Reading;
  readonly isStored: boolean;
}

export type Connection = { readonly kind: 'connecting' | 'connected' } | { readonly kind: 'lost'; readonly why: string };

export class PageModel {
  station = '';
  version = '';
  scope: HelloMessage['scope'] = 'read';
  connection: Connection = { kind: 'connecting' };
  store: { readonly state: 'ready' | 'full' | 'failed'; readonly detail: string | null } = { state: 'ready', detail: null };
  readonly channels = new Map<string, ChannelView>();
  readonly scanners = new Map<string, ScannerInfo>();
  /** Newest first. */
  listed: readonly ListedReading[] = [];

  greet(hello: HelloMessage): void {
    this.station = hello.station;
    this.version = hello.version;
    this.scope = hello.scope;
    const present = new Set(hello.channels.map((channel) => channel.id));
    for (const id of this.channels.keys()) if (!present.has(id)) this.channels.delete(id);
    for (const info of hello.channels) this.#channelInfo(info);
    for (const instrument of hello.instruments) this.instrument(instrument);
    this.scanners.clear();
    for (const scanner of hello.scanners ?? []) this.scanner(scanner);
  }

  connected(): void {
    this.connection = { kind: 'connected' };
  }

  /** What is on the page is old from now on: nothing live is kept. */
  disconnected(why: string): void {
    this.connection = { kind: 'lost', why };
    for (const view of this.channels.values()) {
      view.live = null;
      view.click = null;
      view.tape.clear();
    }
  }

  instrument(instrument: InstrumentInfo): void {
    for (const view of this.channels.values()) {
      if (view.info.instrument !== instrument.id) continue;
      view.instrument = instrument;
      if (instrument.state !== 'streaming') view.live = null;
    }
  }

  scanner(info: ScannerInfo): void {
    this.scanners.set(info.id, info);
  }

  channelState(info: ChannelInfo): void {
    this.#channelInfo(info);
  }

  live(message: ClientEvents['channel.live']): void {
    const view = this.channels.get(message.channel);
    if (!view) return;
    if (message.unit !== view.info.settings.unit) return;
    view.live = message.value;
    view.tape.add(Date.parse(message.startAt), message.spacingMs, message.minMax);
  }

  cycleStarted(message: ClientEvents['cycle.started']): void {
    const view = this.channels.get(message.channel);
    if (!view) return;
    view.interrupted = null;
    view.dismissed = null;
    view.click = null;
  }

  clicked(message: ClientEvents['click.detected']): void {
    const view = this.channels.get(message.channel);
    if (view && message.unit === view.info.settings.unit) view.click = message.torque;
  }

  interrupted(message: ClientEvents['cycle.interrupted']): void {
    const view = this.channels.get(message.channel);
    if (!view) return;
    view.interrupted = { reason: message.reason, maximum: message.maximum, unit: message.unit };
    view.click = null;
  }

  dismissed(message: ClientEvents['cycle.dismissed']): void {
    const view = this.channels.get(message.channel);
    if (view) view.dismissed = { reason: message.reason, maximum: message.maximum, unit: message.unit };
  }

  /** @returns whether it is new to the page */
  stored(reading: Reading): boolean {
    const wasListed = this.listed.some((entry) => entry.reading.id === reading.id && entry.isStored);
    if (wasListed) return false;
    this.#list({ reading, isStored: true });
    const view = this.channels.get(reading.channel);
    if (view) {
      view.readings = [reading, ...view.readings.filter((other) => other.id !== reading.id)].slice(0, READINGS_PER_CHANNEL);
      view.interrupted = null;
      view.dismissed = null;
      view.click = null;
    }
    return true;
  }

  notStored(message: ClientEvents['reading.not-stored']): void {
    this.#list({ reading: message.reading, isStored: false });
    this.store = { state: this.store.state === 'ready' ? 'failed' : this.store.state, detail: `${message.fault.message}. ${message.fault.hint}` };
  }

  storeState(message: ClientEvents['store.state']): void {
    this.store = { state: message.state, detail: message.detail };
  }

  #list(entry: ListedReading): void {
    this.listed = [entry, ...this.listed.filter((other) => other.reading.id !== entry.reading.id)].slice(0, READINGS_IN_LIST);
  }

  #channelInfo(info: ChannelInfo): void {
    const view = this.channels.get(info.id);
    if (!view) {
      this.channels.set(info.id, { info, instrument: null, live: null, tape: new LiveTape(), readings: [], interrupted: null, dismissed: null, click: null });
      return;
    }
    if (info.settings.unit !== view.info.settings.unit) {
      view.live = null;
      view.click = null;
      view.tape.clear();
    }
    if (info.state === 'offline') view.live = null;
    view.info = info;
  }
}
