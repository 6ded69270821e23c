/**
 * A virtual instrument behind a device server that takes line settings over the network. Written from RFC 2217 and
 * RFC 854 for the simulator alone. One client at a time, as `TcpPort`.
 */
import type { PortCounters, SimulatedPort } from './port.ts';
import { openTcpPort, type TcpPort, type TcpPortOptions } from './tcp-port.ts';

export interface Rfc2217PortOptions extends TcpPortOptions {
  /** A server that does not know the option, or will not send binary, or never answers. */
  refuses?: 'com-port-option' | 'binary' | 'everything-silently';
  /** The rates that it can set; left out: every rate. To another one it answers with the first of these. */
  baudRates?: readonly number[];
}

/** What the client set; null: not set yet. Numbers as RFC 2217 writes them. */
export interface LineState {
  readonly baudRate: number | null;
  readonly dataBits: number | null;
  /** 1 none, 2 odd, 3 even. */
  readonly parity: number | null;
  readonly stopBits: number | null;
  /** Every SET-CONTROL in order. */
  readonly controls: readonly number[];
  readonly purges: readonly number[];
}

const COM_PORT_OPTION = 44;
const FRESH: LineState = { baudRate: null, dataBits: null, parity: null, stopBits: null, controls: [], purges: [] };

/** @throws TorsiondError SERVER_ADDRESS when the port is taken. */
export async function openRfc2217Port(options: Rfc2217PortOptions = {}): Promise<Rfc2217Port> {
  return new Rfc2217Port(await openTcpPort(options), options);
}

export class Rfc2217Port implements SimulatedPort {
  readonly #tcp: TcpPort;
  readonly #options: Rfc2217PortOptions;
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  /** Bytes of a command that is not complete yet. */
  #rest: number[] = [];
  #line: LineState = FRESH;

  constructor(tcp: TcpPort, options: Rfc2217PortOptions) {
    this.#tcp = tcp;
    this.#options = options;
    tcp.onClient(() => {
      this.#rest = [];
      this.#line = FRESH;
    });
    tcp.onData((bytes) => this.#hear(bytes));
  }

  get address(): { readonly kind: 'rfc2217'; readonly host: string; readonly port: number } {
    return { ...this.#tcp.address, kind: 'rfc2217' };
  }

  get isPluggedIn(): boolean {
    return this.#tcp.isPluggedIn;
  }

  get backlogBytes(): number {
    return this.#tcp.backlogBytes;
  }

  /** Of the connection, with commands and doubled bytes. */
  get counters(): PortCounters {
    return this.#tcp.counters;
  }

  get line(): LineState {
    return this.#line;
  }

  write(bytes: Uint8Array): void {
    this.#tcp.write(Uint8Array.from([...bytes].flatMap((byte) => (byte === 0xff ? [0xff, 0xff] : [byte]))));
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  unplug(): Promise<void> {
    return this.#tcp.unplug();
  }

  replug(): Promise<void> {
    return this.#tcp.replug();
  }

  close(): Promise<void> {
    return this.#tcp.close();
  }

  /** Asks the client to send nothing, or lets it go on. */
  setFlow(isSuspended: boolean): void {
    this.#answer(isSuspended ? 108 : 109, []);
  }

  /** Any bytes of the server's own, for commands that a client must bear. */
  writeRaw(bytes: readonly number[]): void {
    this.#tcp.write(Uint8Array.from(bytes));
  }

  #hear(bytes: Uint8Array): void {
    const all = [...this.#rest, ...bytes];
    const data: number[] = [];
    let i = 0;
    for (; i < all.length; i++) {
      if (all[i] !== 0xff) {
        data.push(all[i]!);
        continue;
      }
      const length = commandLength(all, i);
      if (length === null) break;
      if (all[i + 1] === 0xff) data.push(0xff);
      else this.#command(all.slice(i + 1, i + length));
      i += length - 1;
    }
    this.#rest = all.slice(i);
    if (data.length > 0) for (const listener of this.#listeners) listener(Uint8Array.from(data));
  }

  #command(command: readonly number[]): void {
    const { refuses } = this.#options;
    if (refuses === 'everything-silently') return;
    const [verb, option] = command;
    const yes = verb === 251 ? 253 : 251;
    const no = verb === 251 ? 254 : 252;
    if (verb === 251 || verb === 253) {
      const isKnown = (option === COM_PORT_OPTION && verb === 251 && refuses !== 'com-port-option') || option === 3 || (option === 0 && refuses !== 'binary');
      this.#tcp.write(Uint8Array.of(0xff, isKnown ? yes : no, option!));
    } else if (verb === 250 && option === COM_PORT_OPTION) {
      const content = command.slice(2, -2).filter((byte, i, list) => !(byte === 0xff && list[i - 1] === 0xff));
      this.#set(content[0]!, content.slice(1));
    }
  }

  #set(what: number, value: readonly number[]): void {
    const [one = 0] = value;
    switch (what) {
      case 1: {
        const asked = value.reduce((sum, byte) => sum * 256 + byte, 0);
        const { baudRates } = this.#options;
        const baudRate = baudRates === undefined || baudRates.includes(asked) ? asked : baudRates[0]!;
        this.#line = { ...this.#line, baudRate };
        return this.#answer(101, [24, 16, 8, 0].map((shift) => (baudRate >>> shift) & 0xff));
      }
      case 2: this.#line = { ...this.#line, dataBits: one }; break;
      case 3: this.#line = { ...this.#line, parity: one }; break;
      case 4: this.#line = { ...this.#line, stopBits: one }; break;
      case 5: this.#line = { ...this.#line, controls: [...this.#line.controls, one] }; break;
      case 12: this.#line = { ...this.#line, purges: [...this.#line.purges, one] }; break;
      default: return;
    }
    this.#answer(what + 100, [one]);
  }

  #answer(what: number, value: readonly number[]): void {
    this.#tcp.write(Uint8Array.from([0xff, 250, COM_PORT_OPTION, what, ...value.flatMap((byte) => (byte === 0xff ? [0xff, 0xff] : [byte])), 0xff, 240]));
  }
}

/** Bytes of the command that begins with 255 at `from`, or null while it is not complete. */
function commandLength(bytes: readonly number[], from: number): number | null {
  const verb = bytes[from + 1];
  if (verb === undefined) return null;
  if (verb === 250) {
    for (let i = from + 2; i + 1 < bytes.length; i++) {
      if (bytes[i] !== 0xff) continue;
      if (bytes[i + 1] === 240) return i + 2 - from;
      i++; // a doubled byte
    }
    return null;
  }
  if (verb >= 251 && verb <= 254) return bytes.length > from + 2 ? 3 : null;
  return 2;
}
