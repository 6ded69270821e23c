/**
 * Brings the bytes of a Web Serial port to a gateway, for one instrument with link kind `browser`. Runs in any page and
 * needs nothing of ours around it:
 *
 * ```ts
 * const port = await navigator.serial.requestPort(); // in answer to a click
 * const forwarder = forwardPort({ url: 'http://127.0.0.1:7616', token, instrument: 'bench-a', port });
 * forwarder.onState((state) => console.log(state.kind));
 * ```
 *
 * The gateway says when to open the port and how. Each read carries the time at which the browser handed it over. A
 * lost connection is made anew for ever; it ends by `close()`, when the device is unplugged, or when the gateway
 * refuses the port.
 */
import { systemClock, type Clock } from '../clock.ts';
import { ERROR_TABLE, TorsiondError, type ErrorCode } from '../errors.ts';
import { decodePortBytes, encodePortBytes } from '../wire/port-bytes.ts';
import type { PortCutName, PortGatewayMessage, PortLine, PortPageMessage } from '../wire/port-messages.ts';
import { PORT_SUBPROTOCOL, PORTS_PATH } from '../wire/protocol.ts';
import { backOffMs } from './back-off.ts';
import { OpenSerialPort } from './open-serial-port.ts';
import { socketOpener, streamUrl, type SocketConstructor, type SocketLike } from './socket.ts';
import { serialPortName, type SerialPortLike } from './web-serial.ts';

export interface PortForwarderOptions {
  /** The gateway's address, for example `http://127.0.0.1:7616`; a path stays in front of the gateway's own. */
  readonly url: string;
  readonly token?: string;
  /** Id of an instrument whose link has kind `browser`. */
  readonly instrument: string;
  readonly port: SerialPortLike;
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
}

const FIRST_RETRY_MS = 250;
const LONGEST_RETRY_MS = 5_000;
/** The gateway asks every second; without a word for so long it is gone. */
const SILENT_MS = 6_000;

interface Opening {
  readonly connection: number;
  readonly serial: OpenSerialPort;
  readonly windowBytes: number;
  nextNumber: number;
  /** Sent and not taken yet: number and bytes. */
  onTheWay: { readonly number: number; readonly bytes: number }[];
  isOpen: boolean;
}

export class PortForwarder {
  readonly #options: PortForwarderOptions;
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
  #counters = { connections: 0, bytesRead: 0, bytesWritten: 0, cuts: 0 };

  /** @throws TorsiondError USAGE, ACCESS_TOKEN for options that can never work */
  constructor(options: PortForwarderOptions) {
    this.#options = options;
    this.#clock = options.clock ?? systemClock;
    this.#random = options.random ?? (() => crypto.getRandomValues(new Uint32Array(1))[0]! / 2 ** 32);
    this.#takesOver = options.takeOver ?? false;
    this.#page = options.page ?? crypto.randomUUID();
    const url = portUrl(options.url, options.instrument);
    this.#openSocket = socketOpener(options.WebSocket, url, options.token ?? '', PORT_SUBPROTOCOL);
    options.port.addEventListener('disconnect', this.#onUnplugged);
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

  readonly #onUnplugged = (): void => {
    const opening = this.#opening;
    if (opening) this.#say({ type: 'lost', connection: opening.connection, message: 'the device was unplugged' });
    this.#end({ kind: 'ended', reason: 'unplugged' });
  };

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
      if (this.#socket === socket) this.#say({ type: 'offer', name: serialPortName(this.#options.port.getInfo()), page: this.#page, takeOver: this.#takesOver });
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
      case 'open': return void this.#open(message.connection, message.line, message.windowBytes);
      case 'close': return void this.#close(message.connection);
      case 'took': return this.#took(message.connection, message.number);
      case 'refused': {
        const error = new TorsiondError(Object.hasOwn(ERROR_TABLE, message.code) ? message.code as ErrorCode : 'CLIENT_REFUSED', message.message, { where: this.#options.instrument, hint: message.hint });
        return this.#end({ kind: 'ended', reason: 'refused', error });
      }
    }
  }

  async #open(connection: number, line: PortLine, windowBytes: number): Promise<void> {
    this.#letGo();
    const serial = new OpenSerialPort(this.#options.port, {
      bytes: (data, atMs) => this.#forward(opening, data, atMs),
      cut: (name, atMs) => this.#cut(opening, name, atMs),
      lost: (message) => this.#lostPort(opening, message),
    }, () => this.#clock.monoMs());
    const opening: Opening = { connection, serial, windowBytes, nextNumber: 0, onTheWay: [], isOpen: false };
    this.#opening = opening;
    try {
      await this.#closed;
      if (this.#opening !== opening) return;
      await serial.open(line);
    } catch (thrown) {
      const { name, message } = thrown as Error;
      if (this.#opening !== opening) return;
      this.#opening = null;
      return this.#say({ type: 'not-opened', connection, error: name.slice(0, 300), message: message.slice(0, 300) });
    }
    if (this.#opening !== opening) {
      // Closed meanwhile, by whoever waits for this to be over.
      await serial.close();
      return;
    }
    opening.isOpen = true;
    this.#say({ type: 'opened', connection });
    this.#set({ kind: 'open' });
    serial.start();
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
    this.#closed = before.then(() => opening.serial.close());
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

  #took(connection: number, number: number): void {
    const opening = this.#opening;
    if (opening?.connection !== connection) return;
    opening.onTheWay = opening.onTheWay.filter((sent) => sent.number > number);
    this.#holdOrGoOn(opening);
  }

  #holdOrGoOn(opening: Opening): void {
    opening.serial.hold(opening.onTheWay.reduce((sum, { bytes }) => sum + bytes, 0) >= opening.windowBytes);
  }

  #write(message: Uint8Array): void {
    const { kind, connection, number, data } = decodePortBytes(message);
    const opening = this.#opening;
    if (kind !== 'write' || opening?.connection !== connection) return;
    opening.serial.write(data).then(
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
    this.#options.port.removeEventListener('disconnect', this.#onUnplugged);
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

  #say(message: PortPageMessage): void {
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
