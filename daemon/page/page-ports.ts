/**
 * The ports and USB devices of this computer that the page reads for the station: one for each instrument that waits for
 * a page. What was connected once is connected again by itself, after a reload and after a re-plug, as long as the
 * browser grants it.
 */
import { forwardPort, type PortForwarder, type PortForwarderState, type PortUsbDevice, type SerialLike, type SocketConstructor, type UsbLike } from '../../shared/client/index.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import { isSameInfo, serialPorts, usbDevices, type GrantedPort, type PortInfo, type PortSource } from './port-sources.ts';

export type PortStatus =
  /** The browser has no Web Serial, or no WebUSB, or only on pages that came over https or from this machine. */
  | { readonly kind: 'unsupported'; readonly isSecure: boolean }
  | { readonly kind: 'none'; readonly note: string | null }
  | { readonly kind: 'used'; readonly name: string; readonly state: PortForwarderState; readonly cuts: number };

export interface PagePortsOptions {
  /** `navigator.serial`, where there is one. */
  readonly serial: SerialLike | null;
  /** `navigator.usb`, where there is one. */
  readonly usb: UsbLike | null;
  readonly isSecure: boolean;
  /** The page's own address. */
  readonly url: string;
  readonly storage: Pick<Storage, 'getItem' | 'setItem'> | null;
  /** Left out: the browser's own. */
  readonly WebSocket?: SocketConstructor;
  readonly onChange: () => void;
}

/** An instrument that takes what a page has, as the greeting tells of it. */
export type PageInstrument = Pick<InstrumentInfo, 'id' | 'pageUsb'>;

interface Used {
  readonly port: GrantedPort;
  readonly forwarder: PortForwarder;
}

const KEY = 'torsiond-ports';
const SAME_LOOKS: Readonly<Record<PortSource['kind'], string>> = {
  serial: 'The browser cannot tell which of the ports that look the same was meant, so none was taken. Press "Connect port" and choose.',
  usb: 'The browser cannot tell which of the USB devices that look the same was meant, so none was taken. Press "Connect USB device" and choose.',
};

export class PagePorts {
  readonly #options: PagePortsOptions;
  readonly #used = new Map<string, Used>();
  readonly #notes = new Map<string, string>();
  /** The very port that an instrument had: it says more than its numbers. */
  readonly #had = new Map<string, object>();
  readonly #sources: Readonly<Record<PortSource['kind'], PortSource | null>>;
  #page: string | null = null;
  #instruments: readonly PageInstrument[] = [];
  #token = '';

  constructor(options: PagePortsOptions) {
    this.#options = options;
    this.#sources = { serial: options.serial && serialPorts(options.serial), usb: options.usb && usbDevices(options.usb) };
    for (const source of Object.values(this.#sources)) source?.onConnect(() => void this.#reconnect());
  }

  /** After each greeting: which instruments take what a page has, and with what token. */
  begin(instruments: readonly PageInstrument[], token: string): void {
    this.#instruments = instruments;
    const isOther = token !== this.#token;
    this.#token = token;
    for (const [instrument, used] of [...this.#used]) {
      if (!instruments.some(({ id }) => id === instrument)) {
        void used.forwarder.close();
        this.#used.delete(instrument);
      } else if (isOther && used.forwarder.state.kind !== 'ended') {
        void this.#renew(instrument, used, false);
      }
    }
    void this.#reconnect();
  }

  status(instrument: string): PortStatus {
    if (this.#sourceOf(instrument) === null) return { kind: 'unsupported', isSecure: this.#options.isSecure };
    const used = this.#used.get(instrument);
    if (!used) return { kind: 'none', note: this.#notes.get(instrument) ?? null };
    const { port, forwarder } = used;
    return { kind: 'used', name: port.name, state: forwarder.state, cuts: forwarder.counters.cuts };
  }

  /** In answer to a click: the browser asks which. */
  async connect(instrument: string): Promise<void> {
    const source = this.#sourceOf(instrument);
    if (!source) return;
    const word = source.kind === 'usb' ? 'device' : 'port';
    try {
      const port = await source.request(this.#wanted(instrument));
      const owner = [...this.#used].find(([id, used]) => id !== instrument && used.port.key === port.key && used.forwarder.state.kind !== 'ended')?.[0];
      if (owner !== undefined) return this.#note(instrument, `${owner} has this ${word} already. A ${word} has one owner: disconnect it there first.`);
      this.#remember(instrument, port.info);
      await this.#used.get(instrument)?.forwarder.close();
      this.#use(instrument, port, false);
    } catch (thrown) {
      const { name, message } = thrown as Error;
      this.#note(instrument, name === 'NotFoundError' ? `No ${word} was chosen.` : `The browser gave no ${word}: ${message}`);
    }
  }

  /** The same port again, in place of the page that has the instrument now. */
  takeOver(instrument: string): void {
    const used = this.#used.get(instrument);
    if (used) void this.#renew(instrument, used, true);
  }

  async disconnect(instrument: string): Promise<void> {
    const used = this.#used.get(instrument);
    this.#used.delete(instrument);
    this.#had.delete(instrument);
    this.#remember(instrument, null);
    this.#note(instrument, null);
    await used?.forwarder.close();
  }

  async #reconnect(): Promise<void> {
    const remembered = this.#remembered();
    for (const source of Object.values(this.#sources)) {
      const wanting = this.#instruments.map(({ id }) => id).filter((id) => this.#sourceOf(id) === source && remembered[id] !== undefined && this.#isFree(id));
      if (source && wanting.length > 0) await this.#reconnectTo(source, wanting, remembered);
    }
  }

  async #reconnectTo(source: PortSource, wanting: readonly string[], remembered: Readonly<Record<string, PortInfo>>): Promise<void> {
    const granted = await source.granted().catch(() => []);
    for (const instrument of wanting) {
      const taken = new Set([...this.#used.values()].filter(({ forwarder }) => forwarder.state.kind !== 'ended').map(({ port }) => port.key));
      const wanted = this.#wanted(instrument);
      const fitting = granted.filter((port) => !taken.has(port.key) && isSameInfo(port.info, remembered[instrument]!) && source.isFit(port, wanted));
      const had = this.#had.get(instrument);
      // One port is as uncertain as two while another instrument waits for one of the same looks.
      const isOnly = fitting.length === 1 && !wanting.some((other) => other !== instrument && this.#isFree(other) && isSameInfo(remembered[other]!, remembered[instrument]!));
      const port = fitting.find(({ key }) => key === had) ?? (isOnly ? fitting[0] : undefined);
      if (port && this.#isFree(instrument)) this.#use(instrument, port, false);
      else if (fitting.length > 0) this.#note(instrument, SAME_LOOKS[source.kind]);
    }
  }

  /** The USB device that the instrument takes; null: a serial port. */
  #wanted(instrument: string): PortUsbDevice | null {
    return this.#instruments.find(({ id }) => id === instrument)?.pageUsb ?? null;
  }

  #sourceOf(instrument: string): PortSource | null {
    return this.#sources[this.#wanted(instrument) === null ? 'serial' : 'usb'];
  }

  /** No port is used for it, or the one that was is gone. A refused one is left to the person. */
  #isFree(instrument: string): boolean {
    const state = this.#used.get(instrument)?.forwarder.state;
    return state === undefined || (state.kind === 'ended' && state.reason === 'unplugged');
  }

  /** The port must be closed before it is opened anew; what a person says meanwhile counts. */
  async #renew(instrument: string, used: Used, takeOver: boolean): Promise<void> {
    await used.forwarder.close();
    if (this.#used.get(instrument) === used) this.#use(instrument, used.port, takeOver);
  }

  #use(instrument: string, port: GrantedPort, takeOver: boolean): void {
    this.#notes.delete(instrument);
    this.#had.set(instrument, port.key);
    const forwarder = forwardPort({ url: this.#options.url, token: this.#token, instrument, ...port.forward, takeOver, page: (this.#page ??= crypto.randomUUID()), ...(this.#options.WebSocket ? { WebSocket: this.#options.WebSocket } : {}) });
    this.#used.set(instrument, { port, forwarder });
    forwarder.onState(() => this.#options.onChange());
  }

  #note(instrument: string, note: string | null): void {
    if (note === null) this.#notes.delete(instrument);
    else this.#notes.set(instrument, note);
    this.#options.onChange();
  }

  #remembered(): Record<string, PortInfo> {
    try {
      const kept: unknown = JSON.parse(this.#options.storage?.getItem(KEY) ?? '{}');
      return typeof kept === 'object' && kept !== null ? kept as Record<string, PortInfo> : {};
    } catch {
      return {};
    }
  }

  #remember(instrument: string, info: PortInfo | null): void {
    const { [instrument]: _before, ...others } = this.#remembered();
    try {
      this.#options.storage?.setItem(KEY, JSON.stringify(info === null ? others : { ...others, [instrument]: info }));
    } catch {
      // Storage is off or full: the port is chosen anew after a reload.
    }
  }
}
