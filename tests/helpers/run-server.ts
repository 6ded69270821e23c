/** A real server on a free port with a fake gateway behind it, and sockets to talk to it. */
import { mkdtempSync, rmSync } from 'node:fs';
import { connect as connectTcp, type Socket } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { WebSocket, type ClientOptions } from 'ws';
import { startServer, type RunningServer, type ServerDeps } from '../../daemon/server/server.ts';
import { openTokenStore, type TokenStore } from '../../daemon/server/tokens.ts';
import { ServerSettings } from '../../daemon/settings/schema.ts';
import { systemClock } from '../../shared/clock.ts';
import { decodeSamples, type SampleFrame } from '../../shared/wire/binary-samples.ts';
import type { Scope } from '../../shared/wire/commands.ts';
import type { ServerMessage } from '../../shared/wire/events.ts';
import { FakeGateway } from './fake-gateway.ts';
import { waitUntil } from './wait-until.ts';

export interface ServerUnderTest {
  readonly gateway: FakeGateway;
  readonly server: RunningServer;
  readonly tokens: TokenStore;
  readonly dataDirectory: string;
  /** Every log line as JSON. */
  readonly logLines: string[];
  token(scope?: Scope): string;
  get(path: string, headers?: Record<string, string>): Promise<Response>;
  connect(options?: { token?: string | null; scope?: Scope; clientOptions?: ClientOptions; protocols?: string[] }): Promise<TestClient>;
  stop(): Promise<void>;
}

export async function runServer(settings: Record<string, unknown> = {}, deps: Partial<ServerDeps> & { gateway?: FakeGateway } = {}): Promise<ServerUnderTest> {
  const dataDirectory = mkdtempSync(join(tmpdir(), 'torsiond-server-'));
  const tokens = deps.tokens ?? openTokenStore(dataDirectory);
  const gateway = deps.gateway ?? new FakeGateway(deps.clock ?? systemClock);
  const logLines: string[] = [];
  const line = (level: string) => (fields: object, message: string): void => {
    logLines.push(JSON.stringify({ level, ...fields, message }));
  };
  const server = await startServer(gateway, ServerSettings.parse({ port: 0, ...settings }), {
    clock: systemClock, pageDirectory: null, log: { debug: line('debug'), info: line('info'), warn: line('warn'), error: line('error') },
    eventLoopDelayMs: () => 1, ...deps, tokens,
  });
  const clients: TestClient[] = [];
  const made = new Map<Scope, string>();
  const token = (scope: Scope = 'read'): string => {
    if (!made.has(scope)) made.set(scope, tokens.create(scope, `test ${scope}`).token);
    return made.get(scope)!;
  };
  return {
    gateway, server, tokens, dataDirectory, logLines, token,
    get: (path, headers = {}) => fetch(`http://127.0.0.1:${server.port}${path}`, { headers: { authorization: `Bearer ${token()}`, ...headers } }),
    connect: async ({ token: given, scope = 'read', clientOptions = {}, protocols = ['torsiond.v1'] } = {}) => {
      const presented = given === undefined ? token(scope) : given;
      const headers = presented === null ? {} : { authorization: `Bearer ${presented}` };
      const socket = new WebSocket(`ws://127.0.0.1:${server.port}/api/v1/stream`, protocols, { perMessageDeflate: false, ...clientOptions, headers: { ...headers, ...clientOptions.headers } });
      const client = new TestClient(socket);
      clients.push(client);
      await client.opened;
      return client;
    },
    stop: async () => {
      for (const client of clients) client.socket.terminate();
      await server.close();
      rmSync(dataDirectory, { recursive: true, force: true });
    },
  };
}

export class TestClient {
  readonly socket: WebSocket;
  readonly messages: ServerMessage[] = [];
  readonly frames: SampleFrame[] = [];
  closeCode: number | null = null;
  closeReason = '';
  /** Resolves with the connection, rejects with the status of the refusal. */
  readonly opened: Promise<void>;
  #nextId = 0;

  constructor(socket: WebSocket) {
    this.socket = socket;
    socket.on('message', (data: Buffer, isBinary) => {
      if (isBinary) this.frames.push(decodeSamples(data));
      else this.messages.push(JSON.parse(data.toString()) as ServerMessage);
    });
    socket.on('close', (code, reason) => {
      this.closeCode = code;
      this.closeReason = reason.toString();
    });
    this.opened = new Promise((resolve, reject) => {
      socket.on('open', () => resolve());
      socket.on('error', reject);
      socket.on('unexpected-response', (_request, response) => {
        let body = '';
        response.on('data', (part: Buffer) => (body += part.toString()));
        response.on('end', () => reject(new RefusedUpgrade(response.statusCode ?? 0, body)));
      });
    });
    this.opened.catch(() => {});
  }

  of<Type extends ServerMessage['type']>(type: Type): Extract<ServerMessage, { type: Type }>[] {
    return this.messages.filter((message): message is Extract<ServerMessage, { type: Type }> => message.type === type);
  }

  /** Sequence numbers of the readings received, in the order of arrival. */
  get seqs(): number[] {
    return this.of('reading.stored').map((message) => message.seq);
  }

  /** Sends a command and waits for its answer. */
  async ask(command: Record<string, unknown>): Promise<Extract<ServerMessage, { type: 'ok' | 'refused' }>> {
    const id = `c${++this.#nextId}`;
    this.socket.send(JSON.stringify({ id, ...command }));
    const find = (): ServerMessage | undefined => this.messages.find((message) => (message.type === 'ok' || message.type === 'refused') && message.id === id);
    await waitUntil(() => find() !== undefined, `the answer to ${JSON.stringify(command)}`);
    return find() as Extract<ServerMessage, { type: 'ok' | 'refused' }>;
  }

  async hello(): Promise<Extract<ServerMessage, { type: 'hello' }>> {
    await waitUntil(() => this.of('hello').length > 0, 'hello');
    return this.of('hello')[0]!;
  }

  async closed(): Promise<number> {
    await waitUntil(() => this.closeCode !== null, 'the connection to end');
    return this.closeCode!;
  }
}

export class RefusedUpgrade extends Error {
  readonly status: number;
  readonly body: string;

  constructor(status: number, body: string) {
    super(`refused with ${status}: ${body}`);
    this.status = status;
    this.body = body;
  }
}

/** Sends text or bytes as they are and resolves with all that comes back until the other side closes. */
export function rawExchange(port: number, sent: string | Buffer, limitMs = 60_000): Promise<string> {
  return new Promise((resolve, reject) => {
    const socket = connectTcp(port, '127.0.0.1');
    let received = '';
    socket.setTimeout(limitMs, () => socket.destroy(new Error(`no end within ${limitMs} ms; received: ${received}`)));
    socket.on('connect', () => socket.write(sent));
    socket.on('data', (data) => (received += data.toString('latin1')));
    socket.on('error', (error) => (received === '' ? reject(error) : resolve(received)));
    socket.on('close', () => resolve(received));
  });
}

/** A WebSocket made by hand: the handshake is done, frames are up to the test. */
export async function rawWebSocket(port: number, token: string): Promise<Socket> {
  const socket = connectTcp(port, '127.0.0.1');
  let received = '';
  socket.on('data', (data) => (received += data.toString('latin1')));
  socket.on('error', () => {});
  socket.write(upgradeRequest({ port, headers: [`Authorization: Bearer ${token}`] }));
  await waitUntil(() => received.includes('101 Switching Protocols'), 'the handshake');
  return socket;
}

export function upgradeRequest({ port, host = `127.0.0.1:${port}`, headers = [], protocols = 'torsiond.v1' }: { port: number; host?: string | null; headers?: string[]; protocols?: string }): string {
  return ['GET /api/v1/stream HTTP/1.1', ...(host === null ? [] : [`Host: ${host}`]), 'Connection: Upgrade', 'Upgrade: websocket', 'Sec-WebSocket-Version: 13',
    'Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==', `Sec-WebSocket-Protocol: ${protocols}`, ...headers, '', ''].join('\r\n');
}
