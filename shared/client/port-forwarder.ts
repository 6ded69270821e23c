/**
 * Brings the bytes of a Web Serial port to a gateway, for one instrument with link kind `browser`, or those of a WebUSB
 * device, for one with link kind `browser-usb`. Runs in any page and needs nothing of ours around it:
 *
 * ```ts
 * const port = await navigator.serial.requestPort(); // in answer to a click
 * const forwarder = forwardPort({ url: 'http://127.0.0.1:7616', token, instrument: 'bench-a', port });
 * forwarder.onState((state) => console.log(state.kind));
 *
 * const device = await navigator.usb.requestDevice({ filters: [{ vendorId: 0x1209, productId: 0x0001 }] });
 * forwardPort({ url, token, instrument: 'bench-b', usb: { device, bus: navigator.usb } });
 * ```
 *
 * The gateway says when to open the port and how. Each read carries the time at which the browser handed it over. A
 * lost connection is made anew for ever; it ends by `close()`, when the device is unplugged, or when the gateway
 * refuses the port.
 */
import { systemClock, type Clock } from '../clock.ts';
import { ERROR_TABLE, TorsiondError, type ErrorCode } from '../errors.ts';
import { decodePortBytes, encodePortBytes } from '../wire/port-bytes.ts';
import type { PortCutName, PortGatewayMessage, PortHow, PortPageMessageSent } from '../wire/port-messages.ts';
import { PORT_SUBPROTOCOL, PORTS_PATH } from '../wire/protocol.ts';
import { backOffMs } from './back-off.ts';
import type { ForwardedPort, OpenPort } from './open-port.ts';
import { forwardedSerialPort } from './open-serial-port.ts';
import { forwardedUsbDevice } from './open-usb-device.ts';
import { socketOpener, streamUrl, type SocketConstructor, type SocketLike } from './socket.ts';
import type { SerialPortLike } from './web-serial.ts';
import type { UsbDeviceAtPage } from './web-usb.ts';

/** What the browser granted: a serial port for link kind `browser`, a USB device for `browser-usb`. */
export type PortGiven = { readonly port: SerialPortLike } | { readonly usb: UsbDeviceAtPage };

export type PortForwarderOptions = PortForwarderCommon & PortGiven;

export interface PortForwarderCommon {
  /** The gateway's address, for example `http://127.0.0.1:7616`; a path stays in front of the gateway's own. */
  readonly url: string;
  readonly token?: string;
  /** Id of an instrument whose link has kind `browser` or `browser-usb`. */
  readonly instrument: string;
  /** Takes the place of another page that serves the instrument. Default false: the gateway then refuses. */
  readonly takeOver?: boolean;
  /** Names the page: what it brings anew takes the place of what it brought before. Left out: a name of its own for each forwarder. */
  readonly page?: string;
  /** For runtimes without one of their own: the class of the `ws` package. */
  readonly WebSocket?: SocketConstructor;
  readonly clock?: Clock;
  /** A draw from [0, 1), for the jitter of the back-off. */
  readonly random?: () => number;
}

export type PortForwarderState =
  /** `why` the connection before ended; null at first. */
  | { readonly kind: 'connecting'; readonly why: string | null }
  /** The gateway knows of the port and has it closed now. */
  | { readonly kind: 'offered' }
  /** The port is open and its bytes go to the gateway. */
  | { readonly kind: 'open' }
  | { readonly kind: 'ended'; readonly reason: 'closed' | 'unplugged' }
  | { readonly kind: 'ended'; readonly reason: 'refused'; readonly error: TorsiondError };

export interface PortForwarderCounters {
  readonly connections: number;
  readonly bytesRead: number;
  readonly bytesWritten: number;
  readonly cuts: number;
  /** Transfers that a USB device refused before it went on. */
  readonly stalls: number;
}

const FIRST_RETRY_MS = 250;
const LONGEST_RETRY_MS = 5_000;
/** The gateway asks every second; without a word for so long it is gone. */
const SILENT_MS = 6_000;

interface Opening {
  readonly connection: number;
  readonly port: OpenPort;
  readonly windowBytes: number;
  nextNumber: number;
  /** Sent and not taken yet: number and bytes. */
  onTheWay: { readonly number: number; readonly bytes: number }[];
  isOpen: boolean;
}

export class PortForwarder {
  readonly #options: PortForwarderCommon;
  readonly #port: ForwardedPort;
  readonly #clock: Clock;
  readonly #random: () => number;
  readonly #openSocket: () => SocketLike;
  readonly #page: string;
  readonly #listeners: ((state: PortForwarderState) => void)[] = [];
  #state: PortForwarderState = { kind: 'connecting', why: null };
  #socket: SocketLike | null = null;
  #opening: Opening | null = null;
  /** The port before must have closed before it is opened again. */
  #closed: Promise<void> = Promise.resolve();
  #failures = 0;
  #takesOver: boolean;
  #cancelRetry: () => void = () => {};
  #cancelWatch: () => void = () => {};
  readonly #unlisten: () => void;
  #counters = { connections: 0, bytesRead: 0, bytesWritten: 0, cuts: 0, stalls: 0 };

  /** @throws TorsiondError USAGE, ACCESS_TOKEN for options that can never work */
  constructor(options: PortForwarderOptions) {
    this.#options = options;
    this.#port = 'usb' in options ? forwardedUsbDevice(options.usb) : forwardedSerialPort(options.port);
    this.#clock = options.clock ?? systemClock;
    this.#random = options.random ?? (() => crypto.getRandomValues(new Uint32Array(1))[0]! / 2 ** 32);
    this.#takesOver = options.takeOver ?? false;
    this.#page = options.page ?? crypto.randomUUID();
    const url = portUrl(options.url, options.instrument);
    this.#openSocket = socketOpener(options.WebSocket, url, options.token ?? '', PORT_SUBPROTOCOL);
    this.#unlisten = this.#port.onUnplugged(() => this.#unplugged());
    this.#connect();
  }

  get state(): PortForwarderState {
    return this.#state;
  }

  get counters(): PortForwarderCounters {
    return { ...this.#counters };
  }

  /** Called with each state from now on, the present one first. */
  onState(listener: (state: PortForwarderState) => void): void {
    this.#listeners.push(listener);
    listener(this.#state);
  }

  /** Lets the port go and ends for good. */
  async close(): Promise<void> {
    this.#end({ kind: 'ended', reason: 'closed' });
    await this.#closed;
  }

  #unplugged(): void {
    const opening = this.#opening;
    if (opening) this.#say({ type: 'lost', connection: opening.connection, message: 'the device was unplugged' });
    this.#end({ kind: 'ended', reason: 'unplugged' });
  }

  #connect(): void {
    let socket: SocketLike;
    try {
      socket = this.#openSocket();
    } catch {
      this.#lostSocket('the connection could not be opened');
      return;
    }
    this.#socket = socket;
    socket.binaryType = 'arraybuffer';
    this.#watch();
    socket.addEventListener('open', () => {
      // An older gateway knows serial ports only, and not that there are kinds.
      const kind = this.#port.kind === 'serial' ? {} : { kind: this.#port.kind };
      if (this.#socket === socket) this.#say({ type: 'offer', name: this.#port.name, page: this.#page, takeOver: this.#takesOver, ...kind });
    });
    socket.addEventListener('message', ({ data }) => {
      if (this.#socket !== socket) return;
      this.#watch();
      try {
        if (typeof data === 'string') this.#take(JSON.parse(data) as PortGatewayMessage);
        else this.#write(new Uint8Array(data as ArrayBuffer));
      } catch (thrown) {
        this.#lostSocket(`what came is not from a gateway: ${(thrown as Error).message}`);
      }
    });
    socket.addEventListener('error', () => {}); // the close that follows tells
    socket.addEventListener('close', ({ code, reason }) => {
      if (this.#socket === socket) this.#lostSocket(reason || `the gateway is not reached (${code})`);
    });
  }

  #take(message: PortGatewayMessage): void {
    switch (message.type) {
      case 'accepted':
        this.#counters.connections += 1;
        this.#failures = 0;
        // From now on it is this page's place, or it was taken from it.
        this.#takesOver = false;
        return this.#set({ kind: 'offered' });
      case 'beat': return this.#say({ type: 'beat', number: message.number, atMs: this.#clock.monoMs() });
      case 'open':
      case 'open-usb': return void this.#open(message.connection, message, message.windowBytes);
      case 'close': return void this.#close(message.connection);
      case 'took': return this.#took(message.connection, message.number);
      case 'refused': {
        const error = new TorsiondError(Object.hasOwn(ERROR_TABLE, message.code) ? message.code as ErrorCode : 'CLIENT_REFUSED', message.message, { where: this.#options.instrument, hint: message.hint });
        return this.#end({ kind: 'ended', reason: 'refused', error });
      }
    }
  }

  async #open(connection: number, how: PortHow, windowBytes: number): Promise<void> {
    this.#letGo();
    const notOpened = (thrown: unknown): void => {
      const { name, message } = thrown as Error;
      const error = thrown instanceof TorsiondError ? thrown.code : name.slice(0, 300);
      this.#say({ type: 'not-opened', connection, error, message: message.slice(0, 300) });
    };
    let port: OpenPort;
    try {
      port = this.#port.prepare(how, {
        bytes: (data, atMs) => this.#forward(opening, data, atMs),
        cut: (name, atMs) => this.#cut(opening, name, atMs),
        stalled: () => this.#stalled(opening),
        lost: (message) => this.#lostPort(opening, message),
      }, this.#clock);
    } catch (thrown) {
      return notOpened(thrown);
    }
    const opening: Opening = { connection, port, windowBytes, nextNumber: 0, onTheWay: [], isOpen: false };
    this.#opening = opening;
    try {
      await this.#closed;
      if (this.#opening !== opening) return;
      await port.open();
    } catch (thrown) {
      if (this.#opening !== opening) return;
      this.#opening = null;
      return notOpened(thrown);
    }
    if (this.#opening !== opening) {
      // Closed meanwhile, by whoever waits for this to be over.
      await port.close();
      return;
    }
    opening.isOpen = true;
    this.#say({ type: 'opened', connection });
    this.#set({ kind: 'open' });
    port.start();
  }

  async #close(connection: number): Promise<void> {
    const opening = this.#opening;
    if (opening?.connection === connection) {
      this.#letGo();
      this.#set({ kind: 'offered' });
    }
    await this.#closed;
    this.#say({ type: 'closed', connection });
  }

  /** The port is closed behind what was there before. */
  #letGo(): void {
    const opening = this.#opening;
    this.#opening = null;
    if (!opening) return;
    const before = this.#closed;
    this.#closed = before.then(() => opening.port.close());
  }

  #forward(opening: Opening, data: Uint8Array, atMs: number): void {
    if (this.#opening !== opening || !this.#socket) return;
    const number = opening.nextNumber++;
    this.#counters.bytesRead += data.length;
    opening.onTheWay.push({ number, bytes: data.length });
    this.#send(encodePortBytes({ kind: 'read', connection: opening.connection, number, atMs, data }));
    this.#holdOrGoOn(opening);
  }

  #cut(opening: Opening, error: PortCutName, atMs: number): void {
    if (this.#opening !== opening) return;
    this.#counters.cuts += 1;
    this.#say({ type: 'cut', connection: opening.connection, number: opening.nextNumber++, atMs, error });
  }

  #stalled(opening: Opening): void {
    if (this.#opening !== opening) return;
    this.#counters.stalls += 1;
    this.#say({ type: 'stalled', connection: opening.connection });
  }

  #took(connection: number, number: number): void {
    const opening = this.#opening;
    if (opening?.connection !== connection) return;
    opening.onTheWay = opening.onTheWay.filter((sent) => sent.number > number);
    this.#holdOrGoOn(opening);
  }

  #holdOrGoOn(opening: Opening): void {
    opening.port.hold(opening.onTheWay.reduce((sum, { bytes }) => sum + bytes, 0) >= opening.windowBytes);
  }

  #write(message: Uint8Array): void {
    const { kind, connection, number, data } = decodePortBytes(message);
    const opening = this.#opening;
    if (kind !== 'write' || opening?.connection !== connection) return;
    opening.port.write(data).then(
      () => {
        this.#counters.bytesWritten += data.length;
        this.#say({ type: 'wrote', connection, number });
      },
      (thrown: Error) => this.#say({ type: 'not-written', connection, number, message: (thrown.message || thrown.name).slice(0, 300) }),
    );
  }

  #lostPort(opening: Opening, message: string): void {
    if (this.#opening !== opening) return;
    this.#letGo();
    this.#say({ type: 'lost', connection: opening.connection, message: message.slice(0, 300) });
    this.#set({ kind: 'offered' });
  }

  #lostSocket(why: string): void {
    if (this.#state.kind === 'ended') return;
    this.#dropSocket();
    this.#letGo();
    this.#failures += 1;
    this.#set({ kind: 'connecting', why });
    const waitMs = backOffMs(this.#failures, this.#random(), { firstMs: FIRST_RETRY_MS, longestMs: LONGEST_RETRY_MS });
    this.#cancelRetry = this.#clock.after(waitMs, () => this.#connect());
  }

  #end(state: Extract<PortForwarderState, { kind: 'ended' }>): void {
    if (this.#state.kind === 'ended') return;
    this.#unlisten();
    this.#cancelRetry();
    this.#dropSocket(1000, state.reason);
    this.#letGo();
    this.#set(state);
  }

  #dropSocket(code = 3000, reason = 'given up'): void {
    const socket = this.#socket;
    this.#socket = null;
    this.#cancelWatch();
    try {
      socket?.close(code, reason);
    } catch {
      // It never opened: there is nobody to say it to.
    }
  }

  #watch(): void {
    this.#cancelWatch();
    this.#cancelWatch = this.#clock.after(SILENT_MS, () => this.#lostSocket(`the gateway has been silent for ${SILENT_MS / 1_000} s`));
  }

  #say(message: PortPageMessageSent): void {
    this.#send(JSON.stringify(message));
  }

  #send(data: string | Uint8Array<ArrayBuffer>): void {
    try {
      this.#socket?.send(data);
    } catch {
      // Its close follows, and with it everything else.
    }
  }

  #set(state: PortForwarderState): void {
    if (this.#state.kind === 'ended' || (this.#state.kind === state.kind && state.kind !== 'connecting')) return;
    this.#state = state;
    for (const listener of this.#listeners) listener(state);
  }
}

/** A path in the gateway's address, where a proxy has it, stays in front. */
function portUrl(url: string, instrument: string): string {
  const parsed = new URL(streamUrl(url, '/'));
  parsed.pathname = parsed.pathname.replace(/\/$/, '') + PORTS_PATH + encodeURIComponent(instrument);
  return parsed.href;
}

/** @throws TorsiondError USAGE, ACCESS_TOKEN for options that can never work */
export function forwardPort(options: PortForwarderOptions): PortForwarder {
  return new PortForwarder(options);
}
