/** Who may bring a port, and what one page too many or a hostile one costs. */
import { once } from 'node:events';
import { connect } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import { WebSocket } from 'ws';
import { systemClock } from '../../shared/clock.ts';
import { FakeGateway } from '../helpers/fake-gateway.ts';
import { portsBench } from '../helpers/page-port-bench.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest;
const sockets: WebSocket[] = [];
afterEach(async () => {
  for (const socket of sockets.splice(0)) socket.terminate();
  await run.stop();
});

async function start(): Promise<void> {
  const gateway = new FakeGateway();
  gateway.ports = portsBench(systemClock).ports;
  run = await runServer({}, { gateway });
}

interface Attempt {
  readonly token?: string | null;
  readonly path?: string;
  readonly headers?: Record<string, string>;
  readonly protocols?: string[];
}

/** The open socket, or status and code of the refusal. */
function bring({ token = run.token('operate'), path = '/api/v1/ports/bench-a', headers = {}, protocols = ['torsiond.port.v1'] }: Attempt = {}): Promise<WebSocket | { status: number; code: string }> {
  const socket = new WebSocket(`ws://127.0.0.1:${run.server.port}${path}`, protocols, { headers: { ...(token === null ? {} : { authorization: `Bearer ${token}` }), ...headers } });
  sockets.push(socket);
  return new Promise((resolve, reject) => {
    socket.on('error', reject);
    socket.on('open', () => resolve(socket));
    socket.on('unexpected-response', (_request, response) => {
      let body = '';
      response.on('data', (part: Buffer) => (body += part.toString()));
      response.on('end', () => resolve({ status: response.statusCode ?? 0, code: (JSON.parse(body) as { code: string }).code }));
    });
  });
}

async function opened(attempt: Attempt = {}): Promise<WebSocket> {
  const outcome = await bring(attempt);
  if (!(outcome instanceof WebSocket)) throw new Error(JSON.stringify(outcome));
  return outcome;
}

async function closeOf(socket: WebSocket): Promise<{ code: number; reason: string }> {
  let close: { code: number; reason: string } | null = null;
  socket.on('close', (code, reason) => (close = { code, reason: reason.toString() }));
  await waitUntil(() => close !== null, 'the end of the connection');
  return close!;
}

describe('bringing a port', () => {
  it.each([
    ['without a token', () => ({ token: null }), { status: 401, code: 'ACCESS_TOKEN' }],
    ['with a wrong token', () => ({ token: 'wrong' }), { status: 401, code: 'ACCESS_TOKEN' }],
    ['with a token that may only read', () => ({ token: run.token('read') }), { status: 403, code: 'ACCESS_SCOPE' }],
    ['from a foreign page', () => ({ headers: { origin: 'http://elsewhere.example' } }), { status: 403, code: 'ACCESS_ORIGIN' }],
    ['under a foreign name', () => ({ headers: { host: 'elsewhere.example' } }), { status: 403, code: 'ACCESS_HOST' }],
    ['with something in the address', () => ({ path: '/api/v1/ports/bench-a?token=x' }), { status: 400, code: 'MESSAGE_INVALID' }],
    ['for an instrument that takes none', () => ({ path: '/api/v1/ports/bench-z' }), { status: 404, code: 'ROUTE_UNKNOWN' }],
    ['without an instrument', () => ({ path: '/api/v1/ports/' }), { status: 404, code: 'ROUTE_UNKNOWN' }],
    ['with another subprotocol', () => ({ protocols: ['torsiond.v1'] }), { status: 400, code: 'MESSAGE_INVALID' }],
  ] as const)('%s is refused before the upgrade', async (_what, attempt, refusal) => {
    await start();
    expect(await bring(attempt() as Attempt)).toEqual(refusal);
  });

  it.each(['/api/v1/ports/bench-a', '/api/v1/stream'])('whoever was refused at %s and holds on to the connection loses it', async (path) => {
    await start();
    const socket = connect({ port: run.server.port, host: '127.0.0.1', allowHalfOpen: true });
    let isGone = false;
    let answer = '';
    socket.on('error', () => {}).on('close', () => (isGone = true)).on('data', (part: Buffer) => (answer += part.toString()));
    try {
      socket.write(`GET ${path} HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n`);
      await once(socket, 'end');
      expect(answer).toContain('HTTP/1.1 401');
      // What comes after the other side has let go is answered with a reset.
      await waitUntil(() => {
        socket.write('x');
        return isGone;
      }, 'the end of the connection');
    } finally {
      socket.destroy();
    }
  });

  it('ends within seconds when the token is revoked', async () => {
    await start();
    const socket = await opened({ token: run.token('operate') });
    const { id } = run.tokens.list().find(({ scope }) => scope === 'operate')!;
    run.tokens.revoke(id);
    expect(await closeOf(socket)).toEqual({ code: 1008, reason: 'the token was revoked' });
  });

  it('a message that is too large ends with 1009, one that is none with 1008', async () => {
    await start();
    const large = await opened();
    large.send(Buffer.alloc(64 * 1024 + 1));
    expect((await closeOf(large)).code).toBe(1009);
    const wrong = await opened();
    wrong.send('{"type":"open"}');
    expect(await closeOf(wrong)).toMatchObject({ code: 1008, reason: expect.stringMatching(/^the page said what no page says/) as string });
  });

  it.each(['ping', 'pong'] as const)('a flood of %s frames is a flood of messages', async (kind) => {
    await start();
    const socket = await opened();
    const end = closeOf(socket);
    for (let i = 0; i < 8_000 && socket.readyState === socket.OPEN; i++) socket[kind]();
    expect(await end).toEqual({ code: 1008, reason: 'more than 4000 messages or 4 MiB a second' });
  });

  it('a ninth page for one instrument is refused, and the stream goes on for others', async () => {
    await start();
    const pages = await Promise.all(Array.from({ length: 8 }, () => opened()));
    expect(await bring()).toEqual({ status: 429, code: 'LIMIT_REACHED' });
    const witness = await run.connect();
    await witness.ask({ type: 'ping' });
    pages[0]!.close();
    await waitUntil(() => run.server.counters().get('torsiond_server_closed_total{code="1005"}') === 1, 'the page to be gone');
    await opened();
  });

  it('a stop says goodbye to every page', async () => {
    await start();
    const socket = await opened();
    const end = closeOf(socket);
    await run.server.close();
    expect(await end).toEqual({ code: 1001, reason: 'the gateway stops' });
  });
});
