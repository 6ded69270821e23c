/**
 * The ports of this computer that the page reads for the station: one for each instrument that waits for a page. What
 * was connected once is connected again by itself, after a reload and after a re-plug, as long as the browser grants it.
 */
import { forwardPort, serialPortName, type PortForwarder, type PortForwarderState, type SerialLike, type SerialPortInfo, type SerialPortLike, type SocketConstructor } from '../../shared/client/index.ts';

export type PortStatus =
  /** The browser has no Web Serial, or only on pages that came over https or from this machine. */
  | { readonly kind: 'unsupported'; readonly isSecure: boolean }
  | { readonly kind: 'none'; readonly note: string | null }
  | { readonly kind: 'used'; readonly name: string; readonly state: PortForwarderState; readonly cuts: number };

export interface PagePortsOptions {
  /** `navigator.serial`, where there is one. */
  readonly serial: SerialLike | null;
  readonly isSecure: boolean;
  /** The page's own address. */
  readonly url: string;
  readonly storage: Pick<Storage, 'getItem' | 'setItem'> | null;
  /** Left out: the browser's own. */
  readonly WebSocket?: SocketConstructor;
  readonly onChange: () => void;
}

interface Used {
  readonly port: SerialPortLike;
  readonly forwarder: PortForwarder;
}

const KEY = 'torsiond-ports';
const SAME_LOOKS = 'The browser cannot tell which of the ports that look the same was meant, so none was taken. Press "Connect port" and choose.';

export class PagePorts {
  readonly #options: PagePortsOptions;
  readonly #used = new Map<string, Used>();
  readonly #notes = new Map<string, string>();
  /** The very port that an instrument had: it says more than its numbers. */
  readonly #had = new Map<string, SerialPortLike>();
  #page: string | null = null;
  #instruments: readonly string[] = [];
  #token = '';

  constructor(options: PagePortsOptions) {
    this.#options = options;
    options.serial?.addEventListener('connect', () => void this.#reconnect());
  }

  /** After each greeting: which instruments take a page's port, and with what token. */
  begin(instruments: readonly string[], token: string): void {
    this.#instruments = instruments;
    const isOther = token !== this.#token;
    this.#token = token;
    for (const [instrument, used] of [...this.#used]) {
      if (!instruments.includes(instrument)) {
        void used.forwarder.close();
        this.#used.delete(instrument);
      } else if (isOther && used.forwarder.state.kind !== 'ended') {
        void this.#renew(instrument, used, false);
      }
    }
    void this.#reconnect();
  }

  status(instrument: string): PortStatus {
    const { serial, isSecure } = this.#options;
    if (!serial) return { kind: 'unsupported', isSecure };
    const used = this.#used.get(instrument);
    if (!used) return { kind: 'none', note: this.#notes.get(instrument) ?? null };
    const { port, forwarder } = used;
    return { kind: 'used', name: serialPortName(port.getInfo()), state: forwarder.state, cuts: forwarder.counters.cuts };
  }

  /** In answer to a click: the browser asks which port. */
  async connect(instrument: string): Promise<void> {
    const { serial } = this.#options;
    if (!serial) return;
    try {
      const port = await serial.requestPort();
      const owner = [...this.#used].find(([id, used]) => id !== instrument && used.port === port && used.forwarder.state.kind !== 'ended')?.[0];
      if (owner !== undefined) return this.#note(instrument, `${owner} has this port already. A port has one owner: disconnect it there first.`);
      this.#remember(instrument, port.getInfo());
      await this.#used.get(instrument)?.forwarder.close();
      this.#use(instrument, port, false);
    } catch (thrown) {
      const { name, message } = thrown as Error;
      this.#note(instrument, name === 'NotFoundError' ? 'No port was chosen.' : `The browser gave no port: ${message}`);
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
    const { serial } = this.#options;
    const remembered = this.#remembered();
    const wanting = this.#instruments.filter((id) => remembered[id] !== undefined && this.#isFree(id));
    if (!serial || wanting.length === 0) return;
    const granted = await serial.getPorts().catch(() => []);
    for (const instrument of wanting) {
      const taken = new Set([...this.#used.values()].filter(({ forwarder }) => forwarder.state.kind !== 'ended').map(({ port }) => port));
      const fitting = granted.filter((port) => !taken.has(port) && sameInfo(port.getInfo(), remembered[instrument]!));
      const had = this.#had.get(instrument);
      // One port is as uncertain as two while another instrument waits for one of the same looks.
      const isOnly = fitting.length === 1 && !wanting.some((other) => other !== instrument && this.#isFree(other) && sameInfo(remembered[other]!, remembered[instrument]!));
      const port = fitting.find((candidate) => candidate === had) ?? (isOnly ? fitting[0] : undefined);
      if (port && this.#isFree(instrument)) this.#use(instrument, port, false);
      else if (fitting.length > 0) this.#note(instrument, SAME_LOOKS);
    }
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

  #use(instrument: string, port: SerialPortLike, takeOver: boolean): void {
    this.#notes.delete(instrument);
    this.#had.set(instrument, port);
    const forwarder = forwardPort({ url: this.#options.url, token: this.#token, instrument, port, takeOver, page: (this.#page ??= crypto.randomUUID()), ...(this.#options.WebSocket ? { WebSocket: this.#options.WebSocket } : {}) });
    this.#used.set(instrument, { port, forwarder });
    forwarder.onState(() => this.#options.onChange());
  }

  #note(instrument: string, note: string | null): void {
    if (note === null) this.#notes.delete(instrument);
    else this.#notes.set(instrument, note);
    this.#options.onChange();
  }

  #remembered(): Record<string, SerialPortInfo> {
    try {
      const kept: unknown = JSON.parse(this.#options.storage?.getItem(KEY) ?? '{}');
      return typeof kept === 'object' && kept !== null ? kept as Record<string, SerialPortInfo> : {};
    } catch {
      return {};
    }
  }

  #remember(instrument: string, info: SerialPortInfo | null): void {
    const { [instrument]: _before, ...others } = this.#remembered();
    try {
      this.#options.storage?.setItem(KEY, JSON.stringify(info === null ? others : { ...others, [instrument]: info }));
    } catch {
      // Storage is off or full: the port is chosen anew after a reload.
    }
  }
}

function sameInfo(one: SerialPortInfo, other: SerialPortInfo): boolean {
  return one.usbVendorId === other.usbVendorId && one.usbProductId === other.usbProductId;
}
