/** Puts the server together: the guard in front, HTTP routes and page files, the WebSocket stream. */
import type { AddressInfo } from 'node:net';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { PORTS_PATH } from '../../shared/wire/protocol.ts';
import { isLoopback } from '../settings/addresses.ts';
import type { ServerSettings } from '../settings/schema.ts';
import { AccessControl } from './access/access.ts';
import { HostList } from './access/host-list.ts';
import { OriginList } from './access/origin-list.ts';
import { RequestGuard } from './access/request-guard.ts';
import { ServerCounters, STREAM_COUNTERS } from './counters.ts';
import { watchEventLoop } from './event-loop-delay.ts';
import type { Gateway } from './gateway.ts';
import { createHttpApp } from './http/http-app.ts';
import { PageFiles } from './http/page-files.ts';
import type { ServerLog } from './log.ts';
import type { OutboxLimits } from './stream/client-outbox.ts';
import { StreamHub } from './stream/stream-hub.ts';
import { StreamServer } from './stream/stream-server.ts';
import { MAX_PORT_PAGES, PortServer } from './ports/port-server.ts';
import type { TokenStore } from './tokens.ts';

export interface ServerDeps {
  readonly clock: Clock;
  readonly tokens: TokenStore;
  /** The built page, or null to serve none. */
  readonly pageDirectory: string | null;
  readonly log: ServerLog;
  /** Delay of the event loop, ms; measured when left out. */
  readonly eventLoopDelayMs?: () => number;
  readonly outboxLimits?: OutboxLimits;
}

export interface RunningServer {
  /** Where the page and the interface are, for people to open. */
  readonly url: string;
  readonly port: number;
  /** Says goodbye to every client and lets go of the port, within two seconds. Idempotent. */
  close(): Promise<void>;
  counters(): ReadonlyMap<string, number>;
}

/** How long clients have to say goodbye, ms. */
const GOODBYE_MS = 1_000;
/** Connections beside those of WebSocket clients: requests under way and idle ones that browsers keep. */
const SPARE_CONNECTIONS = 64;

/**
 * @throws TorsiondError SERVER_ADDRESS when the address is taken or not allowed; SETTINGS_INVALID when it is another
 *   than loopback without `remote: true` and a token, or an allowed host or origin is not one; TOKEN_FILE
 */
export async function startServer(gateway: Gateway, settings: ServerSettings, deps: ServerDeps): Promise<RunningServer> {
  const { clock, tokens, log } = deps;
  requireSafeAddress(settings, tokens, log);
  const hosts = new HostList(settings.allowedHosts);
  let port = settings.port;
  const guard = new RequestGuard(hosts, new OriginList(hosts.names, () => port, settings.allowedOrigins));
  const access = new AccessControl(tokens);
  const counters = new ServerCounters();
  for (const name of Object.values(STREAM_COUNTERS)) counters.set(name, 0);
  const loop = deps.eventLoopDelayMs === undefined ? watchEventLoop(clock) : { delayMs: deps.eventLoopDelayMs, stop: (): void => {} };
  const hub = new StreamHub({
    gateway, clock, log, counters, stillHolds: (held) => access.stillHolds(held),
    ...(deps.outboxLimits === undefined ? {} : { outboxLimits: deps.outboxLimits }),
  });
  const app = createHttpApp({
    guard, access, counters, log, page: new PageFiles(deps.pageDirectory), givesPageToken: settings.pageAccess === 'local',
    routeContext: { gateway, clock, eventLoopDelayMs: loop.delayMs, ownCounters: () => counters.all() },
    maxConnections: settings.maxClients + MAX_PORT_PAGES + SPARE_CONNECTIONS,
  });
  const stream = new StreamServer({ hub, guard, access, counters, log, maxClients: settings.maxClients });
  const ports = new PortServer({ ports: gateway.ports, guard, access, counters, log, clock });
  app.server.on('upgrade', (request, socket, head) => (request.url?.startsWith(PORTS_PATH) ? ports : stream).upgrade(request, socket, head));

  try {
    await app.listen({ host: settings.host, port: settings.port });
  } catch (cause) {
    hub.close();
    ports.close();
    loop.stop();
    await app.close();
    const why = cause instanceof Error && 'code' in cause ? ` (${String(cause.code)})` : '';
    throw new TorsiondError('SERVER_ADDRESS', `cannot listen on ${settings.host} port ${settings.port}${why}`, { where: `${settings.host}:${settings.port}`, cause });
  }
  port = (app.server.address() as AddressInfo).port;

  let closing: Promise<void> | null = null;
  const close = async (): Promise<void> => {
    hub.close();
    ports.close();
    loop.stop();
    await goodbye([stream, ports], clock);
    stream.terminate();
    ports.terminate();
    await app.close();
  };
  return { url: `http://${shownHost(settings.host)}:${port}/`, port, close: () => (closing ??= close()), counters: () => counters.all() };
}

function requireSafeAddress(settings: ServerSettings, tokens: TokenStore, log: ServerLog): void {
  if (isLoopback(settings.host)) return;
  const where = 'server.host';
  if (!settings.remote) {
    throw new TorsiondError('SETTINGS_INVALID', `the listen address ${settings.host} can be reached from other machines`, { where, hint: 'Set server.remote: true if that is meant, or leave server.host out.' });
  }
  if (tokens.list().length === 0) {
    throw new TorsiondError('SETTINGS_INVALID', `the listen address ${settings.host} can be reached from other machines, and there is no token`, { where, hint: 'Make one with "torsiond token create" first.' });
  }
  log.warn({ host: settings.host }, 'other machines can reach this gateway; traffic is not encrypted: put a proxy with TLS in front of it, or keep the network closed');
}

function shownHost(host: string): string {
  if (host === '0.0.0.0' || host === '::') return 'localhost';
  return host.includes(':') ? `[${host}]` : host;
}

/** Resolves when all sockets are gone, at the latest after a second. */
function goodbye(parts: readonly Pick<StreamServer, 'openSockets' | 'onEmpty'>[], clock: Clock): Promise<void> {
  return new Promise((resolve) => {
    const isEmpty = (): boolean => parts.every((part) => part.openSockets === 0);
    if (isEmpty()) {
      resolve();
      return;
    }
    const cancel = clock.after(GOODBYE_MS, resolve);
    for (const part of parts) {
      part.onEmpty(() => {
        if (!isEmpty()) return;
        cancel();
        resolve();
      });
    }
  });
}
