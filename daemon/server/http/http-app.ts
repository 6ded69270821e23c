import type { IncomingMessage, ServerResponse } from 'node:http';
import { createServer } from 'node:http';
import { Readable } from 'node:stream';
import { fastify, type FastifyInstance, type FastifyReply, type FastifyRequest } from 'fastify';
import type * as z from 'zod';
import { asTorsiondError, TorsiondError } from '../../../shared/errors.ts';
import { STREAM_PATH } from '../../../shared/wire/protocol.ts';
import { isLocal, type AccessControl } from '../access/access.ts';
import type { OriginKind } from '../access/origin-list.ts';
import type { RequestGuard } from '../access/request-guard.ts';
import { refusedCounter, requestCounter, type ServerCounters } from '../counters.ts';
import type { ServerLog } from '../log.ts';
import { firstFault } from '../stream/incoming.ts';
import { contentSecurityPolicy, isOpenedAsPage, type PageFiles } from './page-files.ts';
import { ROUTES } from './routes.ts';
import type { Route, RouteContext } from './route.ts';

/** Time a client has for its request line and headers, ms. */
export const HANDSHAKE_MS = 5_000;
const REQUEST_MS = 10_000;
const MAX_HEADER_BYTES = 16 * 1024;

export interface HttpContext {
  readonly guard: RequestGuard;
  readonly access: AccessControl;
  readonly counters: ServerCounters;
  readonly log: ServerLog;
  readonly page: PageFiles;
  /** Whether the page gets its token by itself when opened on this machine. */
  readonly givesPageToken: boolean;
  readonly routeContext: RouteContext;
  readonly maxConnections: number;
}

export function createHttpApp(context: HttpContext): FastifyInstance {
  const origins = new WeakMap<IncomingMessage, OriginKind>();
  const app = fastify({
    logger: false, bodyLimit: 1_024, exposeHeadRoutes: true, return503OnClosing: true, forceCloseConnections: true,
    routerOptions: { maxParamLength: 128 },
    frameworkErrors: (_error, _request, reply) => {
      answerError(reply, new TorsiondError('MESSAGE_INVALID', 'the address cannot be read', { hint: 'See /api/v1/openapi.json for the addresses that exist.' }));
    },
    serverFactory: (handler) => {
      const server = createServer({ requireHostHeader: false, headersTimeout: HANDSHAKE_MS, requestTimeout: REQUEST_MS, connectionsCheckingInterval: 1_000, maxHeaderSize: MAX_HEADER_BYTES, keepAliveTimeout: HANDSHAKE_MS },
        (request, response) => {
          securityHeaders(response);
          try {
            origins.set(request, context.guard.check(request));
          } catch (thrown) {
            refuseRaw(response, asTorsiondError(thrown), context.counters);
            return;
          }
          handler(request, response);
        });
      server.maxConnections = context.maxConnections;
      return server;
    },
  });
  // No address takes a body; whatever comes in one is refused.
  app.removeAllContentTypeParsers();
  app.addHook('onRequest', async (request, reply) => {
    if (origins.get(request.raw) !== 'listed') return;
    reply.header('Access-Control-Allow-Origin', request.headers.origin).header('Vary', 'Origin');
    if (request.method === 'OPTIONS') {
      await reply.code(204).header('Access-Control-Allow-Methods', 'GET, HEAD').header('Access-Control-Allow-Headers', 'Authorization')
        .header('Access-Control-Max-Age', '600').send();
    }
  });
  app.addHook('onResponse', async (request, reply) => {
    context.counters.add(requestCounter(reply.statusCode));
    // The pattern of the route and never the address: whatever a client wrote there stays out of the log.
    context.log.debug({ method: request.method, route: request.routeOptions.url ?? 'page file or none', status: reply.statusCode }, 'answered');
  });
  app.setErrorHandler((thrown, _request, reply) => answerFailure(context, reply, thrown));
  app.setNotFoundHandler((request, reply) => answerPageFile(context, request, reply, origins.get(request.raw) === 'listed'));
  for (const route of ROUTES) register(app, context, route);
  return app;
}

function register(app: FastifyInstance, context: HttpContext, route: Route): void {
  const isEndless = 'mediaType' in route.answer && route.answer.isBinary === true;
  app.get(route.path, { exposeHeadRoute: !isEndless }, async (request, reply) => {
    const access = route.scope === 'read' ? context.access.ofRequest(request.raw) : null;
    const params = checked(route.params, request.params, 'the address');
    const query = checked(route.query, request.query, 'the query');
    const answer = await route.handle(context.routeContext, params, query, { stillHolds: () => access === null || context.access.stillHolds(access) });
    reply.code(answer.status ?? 200).header('Cache-Control', 'no-store');
    if ('mediaType' in route.answer) return reply.type(route.answer.mediaType).send(answer.stream ?? answer.body);
    reply.type('application/json; charset=utf-8');
    return reply.send(answer.pieces === undefined ? JSON.stringify(answer.body) : Readable.from(answer.pieces, { objectMode: false }));
  });
}

function checked(schema: z.ZodType | null, value: unknown, what: string): unknown {
  const hint = 'See /api/v1/openapi.json for what this address takes.';
  if (schema === null) {
    const keys = Object.keys((value ?? {}));
    if (keys.length > 0) throw new TorsiondError('MESSAGE_INVALID', `${what} has fields, but this address takes none`, { where: what, hint });
    return {};
  }
  const parsed = schema.safeParse({ ...(value as object) });
  if (!parsed.success) throw new TorsiondError('MESSAGE_INVALID', `${what} is not valid: ${firstFault(parsed.error)}`, { where: what, hint });
  return parsed.data;
}

/** @param isForeign true for a page of another origin, listed or not: it may use the interface, with a token of its own */
function answerPageFile(context: HttpContext, request: FastifyRequest, reply: FastifyReply, isForeign: boolean): FastifyReply {
  const { page } = context;
  const path = request.raw.url?.split('?', 1)[0] ?? '/';
  const file = request.method === 'GET' || request.method === 'HEAD' ? page.find(path) : null;
  if (path === STREAM_PATH) {
    return answerError(reply, new TorsiondError('ROUTE_UNKNOWN', 'this address is for WebSocket clients', { hint: 'Connect to it by WebSocket; see /api/v1/asyncapi.json for what is said there.' }));
  }
  if (file === null) return answerError(reply, new TorsiondError('ROUTE_UNKNOWN', 'nothing is served at that address'));
  reply.type(file.mediaType);
  if (path !== '/' && path !== '/index.html') {
    return reply.header('Cache-Control', file.isImmutable ? 'public, max-age=31536000, immutable' : 'no-cache').send(file.body);
  }
  if (isForeign || !isOpenedAsPage(request.headers)) {
    context.counters.add(refusedCounter('ACCESS_ORIGIN'));
    return answerError(reply, new TorsiondError('ACCESS_ORIGIN', 'another site asked for the page', { hint: 'Open the page in a tab of its own.' }));
  }
  const token = context.givesPageToken && isLocal(request.raw) ? context.access.pageToken : null;
  return reply.header('Cache-Control', 'no-store').header('Content-Security-Policy', contentSecurityPolicy(request.headers.host ?? 'localhost')).send(page.index(token));
}

function answerFailure(context: HttpContext, reply: FastifyReply, thrown: unknown): FastifyReply {
  const status = thrown instanceof Error && 'statusCode' in thrown ? Number(thrown.statusCode) : 500;
  if (!(thrown instanceof TorsiondError) && status < 500) {
    return answerError(reply, new TorsiondError('MESSAGE_INVALID', 'the request cannot be read', { hint: 'Send a GET request without a body.' }), status);
  }
  const error = asTorsiondError(thrown);
  if (error.code !== 'INTERNAL') {
    if (error.code.startsWith('ACCESS_')) context.counters.add(refusedCounter(error.code));
    return answerError(reply, error);
  }
  // What an unexpected fault says of the inside of the daemon is for the log.
  context.log.error({ err: thrown }, 'a request failed unexpectedly');
  return answerError(reply, new TorsiondError('INTERNAL', 'the request failed unexpectedly; the log of the gateway says why'));
}

function answerError(reply: FastifyReply, error: TorsiondError, status: number = error.facts.http): FastifyReply {
  if (status === 401) reply.header('WWW-Authenticate', 'Bearer');
  return reply.code(status).header('Cache-Control', 'no-store').type('application/json; charset=utf-8').send(JSON.stringify(error));
}

function refuseRaw(response: ServerResponse, error: TorsiondError, counters: ServerCounters): void {
  counters.add(refusedCounter(error.code));
  counters.add(requestCounter(error.facts.http));
  const body = JSON.stringify(error);
  response.writeHead(error.facts.http, {
    'Content-Type': 'application/json; charset=utf-8', 'Content-Length': Buffer.byteLength(body), 'Cache-Control': 'no-store', Connection: 'close',
  });
  response.end(body);
}

/** On every answer: no guessing of types, no framing, no reading from other sites. */
function securityHeaders(response: ServerResponse): void {
  response.setHeader('X-Content-Type-Options', 'nosniff');
  response.setHeader('X-Frame-Options', 'DENY');
  response.setHeader('Referrer-Policy', 'no-referrer');
  response.setHeader('Cross-Origin-Resource-Policy', 'same-origin');
  response.setHeader('Cross-Origin-Opener-Policy', 'same-origin');
}

