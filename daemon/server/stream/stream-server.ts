import type { IncomingMessage } from 'node:http';
import type { Duplex } from 'node:stream';
import { WebSocketServer, type WebSocket } from 'ws';
import { asTorsiondError, TorsiondError } from '../../../shared/errors.ts';
import { PORTS_PATH, STREAM_PATH, SUBPROTOCOL, TOKEN_SUBPROTOCOL_PREFIX } from '../../../shared/wire/protocol.ts';
import { offeredProtocols, type Access, type AccessControl } from '../access/access.ts';
import type { RequestGuard } from '../access/request-guard.ts';
import { closedCounter, refusedCounter, STREAM_COUNTERS, type ServerCounters } from '../counters.ts';
import type { ServerLog } from '../log.ts';
import type { ClientSession } from './client-session.ts';
import { MAX_BUFFERED_CHUNKS, MAX_FRAGMENTS, MAX_MESSAGE_BYTES } from './incoming.ts';
import { asBuffer, refuseUpgrade } from '../upgrade.ts';
import { probeMark, SocketTransport } from './socket-transport.ts';
import type { StreamHub } from './stream-hub.ts';

export interface StreamServerContext {
  readonly hub: StreamHub;
  readonly guard: RequestGuard;
  readonly access: AccessControl;
  readonly counters: ServerCounters;
  readonly log: ServerLog;
  readonly maxClients: number;
}

/** Turns upgrade requests into clients of the hub. Whoever may not is refused before the upgrade. */
export class StreamServer {
  readonly #context: StreamServerContext;
  readonly #sockets: WebSocketServer;
  #onEmpty: (() => void) | null = null;

  constructor(context: StreamServerContext) {
    this.#context = context;
    this.#sockets = new WebSocketServer({
      noServer: true, clientTracking: true, maxPayload: MAX_MESSAGE_BYTES, maxFragments: MAX_FRAGMENTS, maxBufferedChunks: MAX_BUFFERED_CHUNKS,
      // Compression keeps memory per client and breaks it into pieces; blocks of samples hardly shrink.
      perMessageDeflate: false,
      // Pings count against the client's limit before they are answered.
      autoPong: false,
      handleProtocols: (offered) => (offered.has(SUBPROTOCOL) ? SUBPROTOCOL : false),
    });
    this.#sockets.on('wsClientError', (_error, socket) => {
      context.counters.add(STREAM_COUNTERS.protocolErrors);
      socket.destroy();
    });
  }

  upgrade(request: IncomingMessage, socket: Duplex, head: Buffer): void {
    // First, so that a reset from the other side never becomes an uncaught error.
    socket.on('error', () => socket.destroy());
    let access: Access;
    try {
      access = this.#admit(request);
    } catch (thrown) {
      const error = asTorsiondError(thrown);
      this.#context.counters.add(refusedCounter(error.code));
      refuseUpgrade(socket, error);
      return;
    }
    this.#sockets.handleUpgrade(request, socket, head, (webSocket) => this.#welcome(webSocket, socket, access));
  }

  /** Cuts every socket that is still open. */
  terminate(): void {
    for (const socket of this.#sockets.clients) socket.terminate();
    this.#sockets.close();
  }

  /** Calls back when the last socket has gone. */
  onEmpty(callback: () => void): void {
    this.#onEmpty = callback;
  }

  get openSockets(): number {
    return this.#sockets.clients.size;
  }

  #admit(request: IncomingMessage): Access {
    const { guard, access: control, maxClients } = this.#context;
    const origin = guard.check(request);
    const path = (request.url ?? '').split('?', 1)[0];
    if (path !== STREAM_PATH) throw new TorsiondError('ROUTE_UNKNOWN', `WebSocket clients connect to ${STREAM_PATH}, and pages with a port to ${PORTS_PATH}…`, { hint: 'See /api/v1/asyncapi.json for what is said there.' });
    if (request.url !== STREAM_PATH) throw new TorsiondError('MESSAGE_INVALID', `${STREAM_PATH} takes no query`, {
      hint: `A token never stands in the address: programs send "Authorization: Bearer …", pages offer ${TOKEN_SUBPROTOCOL_PREFIX}… beside ${SUBPROTOCOL}.`,
    });
    const access = control.ofUpgrade(request, origin);
    if (!offeredProtocols(request.headers['sec-websocket-protocol']).protocols.includes(SUBPROTOCOL)) {
      throw new TorsiondError('MESSAGE_INVALID', `the client does not offer the subprotocol ${SUBPROTOCOL}`, { hint: `Offer ${SUBPROTOCOL} in Sec-WebSocket-Protocol.` });
    }
    if (this.#sockets.clients.size >= maxClients) {
      throw new TorsiondError('LIMIT_REACHED', `${maxClients} clients are connected`, { hint: 'Close one, or raise server.maxClients in the settings.' });
    }
    return access;
  }

  #welcome(socket: WebSocket, connection: Duplex, access: Access): void {
    // First, so that a broken frame costs this client only.
    socket.on('error', () => this.#context.counters.add(STREAM_COUNTERS.protocolErrors));
    const { hub, counters, log } = this.#context;
    let session: ClientSession | null = null;
    const transport = new SocketTransport(socket, connection, counters, () => session?.onClosing());
    session = hub.join(transport, access);
    const client = session;
    socket.on('message', (data, isBinary) => client.receive(asBuffer(data), isBinary));
    socket.on('ping', (payload) => client.receivePing(payload));
    socket.on('pong', (payload) => client.receiveAnswer(probeMark(payload)));
    socket.on('close', (code) => {
      counters.add(closedCounter(code));
      hub.leave(client);
      if (hub.clientCount === 0) this.#onEmpty?.();
      log.debug({ client: access.label, code }, 'a client left');
    });
    log.debug({ client: access.label, scope: access.scope }, 'a client came');
  }
}
