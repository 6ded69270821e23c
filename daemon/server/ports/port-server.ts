import type { IncomingMessage } from 'node:http';
import type { Duplex } from 'node:stream';
import { WebSocketServer, type WebSocket } from 'ws';
import type { Clock } from '../../../shared/clock.ts';
import { asTorsiondError, TorsiondError } from '../../../shared/errors.ts';
import { PORT_SUBPROTOCOL, PORTS_PATH, TOKEN_SUBPROTOCOL_PREFIX } from '../../../shared/wire/protocol.ts';
import { offeredProtocols, scopeCovers, type Access, type AccessControl } from '../access/access.ts';
import type { RequestGuard } from '../access/request-guard.ts';
import { closedCounter, refusedCounter, STREAM_COUNTERS, type ServerCounters } from '../counters.ts';
import type { Gateway } from '../gateway.ts';
import type { ServerLog } from '../log.ts';
import { MAX_BUFFERED_CHUNKS, MAX_FRAGMENTS, MAX_MESSAGE_BYTES } from '../stream/incoming.ts';
import { SocketTransport } from '../stream/socket-transport.ts';
import { asBuffer, refuseUpgrade } from '../upgrade.ts';

export interface PortServerContext {
  readonly ports: Gateway['ports'];
  readonly guard: RequestGuard;
  readonly access: AccessControl;
  readonly counters: ServerCounters;
  readonly log: ServerLog;
  readonly clock: Clock;
}

/** Pages with a port at a time, whatever instruments they serve. */
export const MAX_PORT_PAGES = 64;
/** Bytes to a page that may wait in this process. */
const UNSENT_BYTES_MAX = 1024 * 1024;
const SWEEP_MS = 1_000;
/** A socket that was closed and does not answer is cut after this. */
const CLOSING_MS = 2_000;

interface Open {
  readonly socket: WebSocket;
  readonly access: Access;
  readonly end: (code: number, reason: string) => void;
  closingMs: number | null;
}

/** Sockets of pages that bring the bytes of a port. Whoever may not is refused before the upgrade. */
export class PortServer {
  readonly #context: PortServerContext;
  readonly #sockets: WebSocketServer;
  readonly #open = new Set<Open>();
  readonly #onEmpty: (() => void)[] = [];
  #cancelSweep: () => void;

  constructor(context: PortServerContext) {
    this.#context = context;
    this.#sockets = new WebSocketServer({
      noServer: true, maxPayload: MAX_MESSAGE_BYTES, maxFragments: MAX_FRAGMENTS, maxBufferedChunks: MAX_BUFFERED_CHUNKS, perMessageDeflate: false, autoPong: false,
      handleProtocols: (offered) => (offered.has(PORT_SUBPROTOCOL) ? PORT_SUBPROTOCOL : false),
    });
    this.#sockets.on('wsClientError', (_error, socket) => {
      context.counters.add(STREAM_COUNTERS.protocolErrors);
      socket.destroy();
    });
    this.#cancelSweep = context.clock.after(SWEEP_MS, () => this.#sweep());
  }

  get openSockets(): number {
    return this.#open.size;
  }

  upgrade(request: IncomingMessage, socket: Duplex, head: Buffer): void {
    socket.on('error', () => socket.destroy());
    let admitted: { readonly instrument: string; readonly access: Access };
    try {
      admitted = this.#admit(request);
    } catch (thrown) {
      const error = asTorsiondError(thrown);
      this.#context.counters.add(refusedCounter(error.code));
      refuseUpgrade(socket, error);
      return;
    }
    this.#sockets.handleUpgrade(request, socket, head, (webSocket) => this.#welcome(webSocket, socket, admitted.instrument, admitted.access));
  }

  /** Says goodbye to all. */
  close(): void {
    this.#cancelSweep();
    for (const { end } of this.#open) end(1001, 'the gateway stops');
  }

  /** Cuts every socket that is still open. */
  terminate(): void {
    for (const { socket } of this.#open) socket.terminate();
    this.#sockets.close();
  }

  /** Calls back whenever the last socket has gone. */
  onEmpty(callback: () => void): void {
    this.#onEmpty.push(callback);
  }

  #admit(request: IncomingMessage): { readonly instrument: string; readonly access: Access } {
    const { guard, access: control, ports } = this.#context;
    const origin = guard.check(request);
    const [path, query] = (request.url ?? '').split('?', 2);
    if (query !== undefined) throw new TorsiondError('MESSAGE_INVALID', `${PORTS_PATH}… takes no query`, {
      hint: `A token never stands in the address: programs send "Authorization: Bearer …", pages offer ${TOKEN_SUBPROTOCOL_PREFIX}… beside ${PORT_SUBPROTOCOL}.`,
    });
    const access = control.ofUpgrade(request, origin);
    if (!scopeCovers(access.scope, 'operate')) throw new TorsiondError('ACCESS_SCOPE', `bringing a port needs a token of scope operate; this one has ${access.scope}`);
    if (!offeredProtocols(request.headers['sec-websocket-protocol']).protocols.includes(PORT_SUBPROTOCOL)) {
      throw new TorsiondError('MESSAGE_INVALID', `the client does not offer the subprotocol ${PORT_SUBPROTOCOL}`, { hint: `Offer ${PORT_SUBPROTOCOL} in Sec-WebSocket-Protocol.` });
    }
    if (this.#open.size >= MAX_PORT_PAGES) throw new TorsiondError('LIMIT_REACHED', `${MAX_PORT_PAGES} pages with a port are connected`);
    const instrument = path!.slice(PORTS_PATH.length);
    ports.check(instrument);
    return { instrument, access };
  }

  #welcome(socket: WebSocket, connection: Duplex, instrument: string, access: Access): void {
    const { ports, counters, log, clock } = this.#context;
    socket.on('error', () => counters.add(STREAM_COUNTERS.protocolErrors));
    const open: Open = { socket, access, closingMs: null, end: (code, reason) => page.end(code, reason) };
    const transport = new SocketTransport(socket, connection, counters, () => (open.closingMs ??= clock.monoMs()));
    const page = ports.welcome(instrument, {
      send: (data) => {
        transport.send(typeof data === 'string' ? Buffer.from(data) : data, typeof data !== 'string');
        if (transport.bufferedAmount > UNSENT_BYTES_MAX) page.end(1013, 'the page does not take what it is sent');
      },
      close: (code, reason) => transport.close(code, reason),
    }, access.label);
    this.#open.add(open);
    counters.add(STREAM_COUNTERS.connections);
    socket.on('message', (data, isBinary) => page.receive(isBinary ? asBuffer(data) : asBuffer(data).toString('utf8')));
    socket.on('ping', (payload) => {
      if (open.closingMs === null && page.heard(payload.length)) transport.answerPing(payload);
    });
    // None was asked for, so it is one more message.
    socket.on('pong', (payload) => open.closingMs === null && page.heard(payload.length));
    socket.on('close', (code, reason) => {
      counters.add(closedCounter(code));
      page.gone(reason.length > 0 ? reason.toString('utf8').slice(0, 120) : `the connection ended (${code})`);
      this.#open.delete(open);
      if (this.#open.size === 0) for (const callback of this.#onEmpty) callback();
      log.debug({ client: access.label, instrument, code }, 'a page with a port left');
    });
    log.debug({ client: access.label, instrument }, 'a page with a port came');
  }

  #sweep(): void {
    const { clock, access } = this.#context;
    this.#cancelSweep = clock.after(SWEEP_MS, () => this.#sweep());
    for (const open of this.#open) {
      if (open.closingMs !== null && clock.monoMs() - open.closingMs >= CLOSING_MS) open.socket.terminate();
      else if (open.closingMs === null && !access.stillHolds(open.access)) open.end(1008, 'the token was revoked');
    }
  }
}
