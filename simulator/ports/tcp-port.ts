/** A virtual instrument behind a device server: listens on loopback and talks to one client at a time. */
import { createServer, type Server, type Socket } from 'node:net';
import { TorsiondError } from '../../shared/errors.ts';
import { MAX_BACKLOG_BYTES, type PortCounters, type SimulatedPort } from './port.ts';

export interface TcpPortOptions {
  /** 0 or left out: any free port. It stays the same after `replug`. */
  port?: number;
  maxBacklogBytes?: number;
}

const HOST = '127.0.0.1';

/** @throws TorsiondError SERVER_ADDRESS when the port is taken. */
export async function openTcpPort(options: TcpPortOptions = {}): Promise<TcpPort> {
  const port = new TcpPort(options.maxBacklogBytes ?? MAX_BACKLOG_BYTES, options.port ?? 0);
  await port.replug();
  return port;
}

export class TcpPort implements SimulatedPort {
  readonly #maxBacklogBytes: number;
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  readonly #clientListeners: (() => void)[] = [];
  #portNumber: number;
  #server: Server | null = null;
  #client: Socket | null = null;
  #isClosed = false;
  #counters = { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };

  constructor(maxBacklogBytes: number, port: number) {
    this.#maxBacklogBytes = maxBacklogBytes;
    this.#portNumber = port;
  }

  get address(): { readonly kind: 'tcp'; readonly host: string; readonly port: number } {
    return { kind: 'tcp', host: HOST, port: this.#portNumber };
  }

  get isPluggedIn(): boolean {
    return this.#server !== null;
  }

  get backlogBytes(): number {
    return this.#client?.writableLength ?? 0;
  }

  get counters(): PortCounters {
    return { ...this.#counters };
  }

  write(bytes: Uint8Array): void {
    this.#counters.writtenBytes += bytes.length;
    if (!this.#client) this.#counters.unheardBytes += bytes.length;
    else if (this.#client.writableLength + bytes.length > this.#maxBacklogBytes) this.#counters.overrunBytes += bytes.length;
    else this.#client.write(bytes);
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  /** Told of each client that connects, before its bytes. */
  onClient(listener: () => void): void {
    this.#clientListeners.push(listener);
  }

  async unplug(): Promise<void> {
    const server = this.#server;
    if (!server) return;
    this.#server = null;
    this.#dropClient();
    await new Promise((done) => server.close(done));
  }

  async replug(): Promise<void> {
    if (this.#isClosed) throw new TorsiondError('LINK_CLOSED', 'the virtual port is closed', { where: `${HOST}:${this.#portNumber}` });
    if (this.#server) return;
    const server = createServer({ noDelay: true }, (socket) => this.#accept(server, socket));
    await new Promise<void>((done, fail) => {
      server.once('error', (error) => {
        fail(new TorsiondError('SERVER_ADDRESS', `the virtual port cannot listen: ${error.message}`, { where: `${HOST}:${this.#portNumber}`, cause: error }));
      });
      server.listen(this.#portNumber, HOST, done);
    });
    const bound = server.address();
    if (bound !== null && typeof bound === 'object') this.#portNumber = bound.port;
    this.#server = server;
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.unplug();
  }

  /** The newest client wins: the one before may hang on a connection whose other end is long dead. */
  #accept(server: Server, socket: Socket): void {
    socket.on('error', () => {}); // its end is noticed by 'close'
    if (server !== this.#server) {
      socket.destroy();
      return;
    }
    this.#dropClient();
    this.#client = socket;
    for (const listener of this.#clientListeners) listener();
    socket.on('data', (bytes: Buffer) => {
      this.#counters.receivedBytes += bytes.length;
      for (const listener of this.#listeners) listener(bytes);
    });
    socket.once('close', () => {
      if (socket === this.#client) this.#dropClient();
    });
  }

  #dropClient(): void {
    const client = this.#client;
    if (!client) return;
    this.#client = null;
    this.#counters.unheardBytes += client.writableLength;
    client.resetAndDestroy();
  }
}
