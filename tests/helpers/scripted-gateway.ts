import type { Reading } from '../../shared/reading.ts';
import type { ClientMessage } from '../../shared/wire/commands.ts';
import type { HelloMessage, ServerMessage } from '../../shared/wire/events.ts';
import type { SocketConstructor } from '../../shared/client/index.ts';

type Listener = (event: never) => void;

export function exampleReading(seq: number, channel = 'bench-a/1'): Reading {
  return {
    type: 'reading', id: `r${seq}`, seq, source: null, channel, epoch: 1, mode: 'peak', value: 40 + seq / 100, unit: 'N.m', direction: 'cw',
    maximum: 40 + seq / 100, startedAt: '2026-11-25T08:00:00.000Z', durationMs: 1200, target: null, low: null, high: null,
    verdict: 'none', uncertainty: null, sampleRateHz: 1000, cutoffHz: null, flags: [], traceId: `t${seq}`,
  };
}

export class ScriptedSocket {
  binaryType = 'blob';
  readonly sent: ClientMessage[] = [];
  /** On its way to the client. */
  readonly wire: (string | ArrayBuffer)[] = [];
  isSubscribed = false;
  /** The path is dead: nothing arrives, in either direction, and no end is told. */
  isDead = false;
  isClosed = false;
  readonly url: string;
  readonly protocols: readonly string[];
  readonly headers: Readonly<Record<string, string>>;
  readonly #listeners = new Map<string, Listener[]>();
  readonly #gateway: ScriptedGateway;

  constructor(gateway: ScriptedGateway, url: string, protocols: string[], headers: Record<string, string>) {
    this.#gateway = gateway;
    this.url = url;
    this.protocols = protocols;
    this.headers = headers;
  }

  addEventListener(type: string, listener: Listener): void {
    this.#listeners.set(type, [...(this.#listeners.get(type) ?? []), listener]);
  }

  fire(type: string, event: unknown): void {
    for (const listener of this.#listeners.get(type) ?? []) listener(event as never);
  }

  send(data: string): void {
    if (this.isClosed) throw new Error('socket is closed');
    const message = JSON.parse(data) as ClientMessage;
    this.sent.push(message);
    if (!this.isDead) this.#gateway.onMessage(this, message);
  }

  close(): void {
    this.isClosed = true;
    this.isSubscribed = false;
  }

  push(message: object): void {
    if (!this.isClosed) this.wire.push(JSON.stringify(message));
  }

  /** Hands the client what is on its way, or the first so many messages of it. */
  deliver(count = Infinity): void {
    for (let i = 0; i < count && this.wire.length > 0 && !this.isClosed && !this.isDead; i++) {
      this.fire('message', { data: this.wire.shift() });
    }
  }

  /** The connection breaks; what was on its way is lost. */
  cut(code = 1006, reason = ''): void {
    if (this.isClosed) return;
    this.isClosed = true;
    this.isSubscribed = false;
    this.wire.length = 0;
    this.fire('close', { code, reason });
  }
}

/** Keeps readings by number and speaks the protocol, one step at a time, as the test says. */
export class ScriptedGateway {
  lastSeq = 0;
  readonly sockets: ScriptedSocket[] = [];
  /** Attempts to refuse from now on. */
  refuseNext = 0;
  /** Numbers that the store does not hold. */
  readonly holes = new Set<number>();
  onCommand: (socket: ScriptedSocket, message: ClientMessage) => void = (socket, message) => socket.push({ type: 'ok', id: message.id });

  get Socket(): SocketConstructor {
    return socketsOf(this);
  }

  get current(): ScriptedSocket | undefined {
    return this.sockets.at(-1);
  }

  hello(changes: Partial<HelloMessage> = {}): HelloMessage {
    return {
      type: 'hello', at: '2026-11-25T08:00:00.000Z', station: 'Hollin & Fenn, bench 3', version: '0.1.0', protocol: 'torsiond.v1',
      instruments: [], channels: [], lastSeq: this.lastSeq, scope: 'configure', ...changes,
    };
  }

  /** The network lets the latest attempt through, or refuses it. */
  accept(): void {
    const socket = this.current;
    if (!socket || socket.isClosed || socket.sent.length > 0 || socket.wire.length > 0) return;
    if (this.refuseNext > 0) {
      this.refuseNext -= 1;
      socket.cut();
      return;
    }
    socket.fire('open', {});
    socket.push(this.hello());
  }

  stored(seq: number): ServerMessage {
    return { type: 'reading.stored', at: '2026-11-25T08:00:00.000Z', seq, reading: exampleReading(seq) };
  }

  /** A reading is committed and announced. @param isLost the announcement never reaches the client although the connection stands */
  store(isLost = false): void {
    this.lastSeq += 1;
    for (const socket of this.sockets) if (socket.isSubscribed && !isLost) socket.push(this.stored(this.lastSeq));
  }

  onMessage(socket: ScriptedSocket, message: ClientMessage): void {
    if (message.type !== 'subscribe') {
      this.onCommand(socket, message);
      return;
    }
    socket.isSubscribed = true;
    socket.push({ type: 'ok', id: message.id });
    for (let seq = (message.since ?? this.lastSeq) + 1; seq <= this.lastSeq; seq++) if (!this.holes.has(seq)) socket.push(this.stored(seq));
  }
}

function socketsOf(gateway: ScriptedGateway): SocketConstructor {
  return class extends ScriptedSocket {
    constructor(url: string, protocols: string[], options?: { headers: Record<string, string> }) {
      super(gateway, url, protocols, options?.headers ?? {});
      gateway.sockets.push(this);
    }
  };
}

/** Lets promises settle; no time passes. */
export async function settle(): Promise<void> {
  for (let i = 0; i < 8; i++) await Promise.resolve();
}
