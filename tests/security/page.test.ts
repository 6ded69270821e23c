/** How the page gets its access, and how nothing else does. S10: no path of a request reaches the file system. */
import { mkdirSync, mkdtempSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { request } from 'node:http';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { WebSocket } from 'ws';
import { TestClient } from '../helpers/run-server.ts';

let directory: string;
let run: ServerUnderTest | null = null;
beforeAll(() => {
  directory = mkdtempSync(join(tmpdir(), 'torsiond-page-'));
  mkdirSync(join(directory, 'assets'));
  writeFileSync(join(directory, 'index.html'), '<!doctype html><html><head><title>x</title><!--torsiond:access--></head><body></body></html>');
  writeFileSync(join(directory, 'assets', 'main-AbCd1234.js'), 'export {};');
  writeFileSync(join(directory, 'secret.pem'), 'not a page file');
});
afterAll(() => rmSync(directory, { recursive: true, force: true }));
afterEach(async () => {
  await run?.stop();
  run = null;
});

interface Answer { status: number; headers: Record<string, string | string[] | undefined>; body: string }
/** `fetch` forbids Sec-Fetch headers and tidies paths. */
function rawGet(port: number, path: string, headers: Record<string, string> = {}): Promise<Answer> {
  return new Promise((resolve, reject) => {
    const sent = request({ host: '127.0.0.1', port, path, headers: { host: `127.0.0.1:${port}`, ...headers } }, (response) => {
      let body = '';
      response.on('data', (part: Buffer) => (body += part.toString()));
      response.on('end', () => resolve({ status: response.statusCode ?? 0, headers: response.headers, body }));
    });
    sent.on('error', reject);
    sent.end();
  });
}
const tokenIn = (html: string): string | null => /<meta name="torsiond-token" content="([\w-]{43})">/.exec(html)?.[1] ?? null;

describe('the page', () => {
  it('opened on this machine brings a token that may do everything, new at every start', async () => {
    run = await runServer({}, { pageDirectory: directory });
    const answer = await rawGet(run.server.port, '/', { 'sec-fetch-site': 'none', 'sec-fetch-mode': 'navigate', 'sec-fetch-dest': 'document' });
    expect(answer.status).toBe(200);
    const token = tokenIn(answer.body)!;
    const origin = `http://127.0.0.1:${run.server.port}`;
    const client = new TestClient(new WebSocket(`${origin.replace('http', 'ws')}/api/v1/stream`, ['torsiond.v1', `torsiond.token.${token}`], { origin }));
    await client.opened;
    expect(await client.hello()).toMatchObject({ scope: 'configure' });
    client.socket.terminate();
    expect(run.tokens.list()).toEqual([]);
    await run.stop();
    run = await runServer({}, { pageDirectory: directory });
    expect(tokenIn((await rawGet(run.server.port, '/')).body)).not.toBe(token);
    expect((await run.get('/api/v1/station', { authorization: `Bearer ${token}` })).status).toBe(401);
  });

  it('is kept by no cache, framed by nobody, and runs nothing inline', async () => {
    run = await runServer({}, { pageDirectory: directory });
    const { headers } = await rawGet(run.server.port, '/index.html');
    expect(headers['cache-control']).toBe('no-store');
    expect(headers['x-frame-options']).toBe('DENY');
    expect(headers['x-content-type-options']).toBe('nosniff');
    expect(headers['cross-origin-resource-policy']).toBe('same-origin');
    expect(headers['cross-origin-opener-policy']).toBe('same-origin');
    const policy = String(headers['content-security-policy']);
    for (const part of ['default-src \'none\'', 'script-src \'self\'', 'style-src \'self\'', 'frame-ancestors \'none\'', 'base-uri \'none\'', 'form-action \'none\'']) expect(policy).toContain(part);
    expect(policy).not.toContain('unsafe');
    expect(policy).not.toContain('*');
  });

  const EMBEDDED: Record<string, string>[] = [
    { 'sec-fetch-site': 'cross-site', 'sec-fetch-mode': 'no-cors', 'sec-fetch-dest': 'script' },
    { 'sec-fetch-site': 'cross-site', 'sec-fetch-mode': 'cors', 'sec-fetch-dest': 'empty' },
    { 'sec-fetch-site': 'same-site', 'sec-fetch-mode': 'no-cors', 'sec-fetch-dest': 'image' },
    { 'sec-fetch-site': 'cross-site', 'sec-fetch-mode': 'navigate', 'sec-fetch-dest': 'iframe' },
    { 'sec-fetch-site': 'same-site', 'sec-fetch-mode': 'navigate', 'sec-fetch-dest': 'embed' },
    { origin: 'https://evil.example' }, { origin: 'null' }, { host: 'rebound.example' },
  ];
  it.each(EMBEDDED)('asked for by another site (%o) is refused without the token', async (headers) => {
    run = await runServer({}, { pageDirectory: directory });
    const answer = await rawGet(run.server.port, '/', headers);
    expect(answer.status).toBe(403);
    expect(tokenIn(answer.body)).toBeNull();
  });

  it('opened through a link from elsewhere works: the site that linked cannot read it', async () => {
    run = await runServer({}, { pageDirectory: directory });
    const answer = await rawGet(run.server.port, '/', { 'sec-fetch-site': 'cross-site', 'sec-fetch-mode': 'navigate', 'sec-fetch-dest': 'document' });
    expect(answer.status).toBe(200);
    expect(answer.headers['access-control-allow-origin']).toBeUndefined();
  });

  it('is never readable by a listed origin either, which has a token of its own', async () => {
    run = await runServer({ allowedOrigins: ['https://wall.hollin-fenn.example'] }, { pageDirectory: directory });
    const answer = await rawGet(run.server.port, '/', { origin: 'https://wall.hollin-fenn.example' });
    expect(answer.status).toBe(403);
    expect(tokenIn(answer.body)).toBeNull();
  });

  it('brings no token with pageAccess: token, nor through a proxy; and the page\'s token is worth nothing there', async () => {
    run = await runServer({ pageAccess: 'token' }, { pageDirectory: directory });
    expect(tokenIn((await rawGet(run.server.port, '/')).body)).toBeNull();
    await run.stop();
    run = await runServer({}, { pageDirectory: directory });
    for (const proxied of [{ 'x-forwarded-for': '203.0.113.9' }, { forwarded: 'for=203.0.113.9' }, { via: '1.1 gate' }]) {
      expect(tokenIn((await rawGet(run.server.port, '/', proxied)).body)).toBeNull();
      const token = tokenIn((await rawGet(run.server.port, '/')).body)!;
      expect((await rawGet(run.server.port, '/api/v1/station', { ...proxied, authorization: `Bearer ${token}` })).status).toBe(401);
      expect((await rawGet(run.server.port, '/api/v1/station', { authorization: `Bearer ${token}` })).status).toBe(200);
    }
  });

  it('is not there when it was not built', async () => {
    run = await runServer();
    const answer = await rawGet(run.server.port, '/');
    expect(answer.status).toBe(404);
    expect(JSON.parse(answer.body)).toMatchObject({ code: 'ROUTE_UNKNOWN' });
  });
});

describe('files', () => {
  it('of the page are served by name, with a lasting cache where the name has a hash', async () => {
    run = await runServer({}, { pageDirectory: directory });
    const answer = await rawGet(run.server.port, '/assets/main-AbCd1234.js');
    expect(answer).toMatchObject({ status: 200, body: 'export {};' });
    expect(answer.headers['content-type']).toContain('text/javascript');
    expect(answer.headers['cache-control']).toContain('immutable');
  });

  it('other than those are out of reach', async () => {
    const outside = join(directory, 'assets', 'link.js');
    symlinkSync('/etc/hostname', outside);
    try {
      run = await runServer({}, { pageDirectory: directory });
      const paths = ['/../../etc/passwd', '/assets/../../../etc/passwd', '/..%2f..%2fetc/passwd', '/%2e%2e/%2e%2e/etc/passwd', '/assets/..\\..\\x', '/assets//etc/passwd', '/etc/passwd', '//etc/passwd',
        '/secret.pem', '/assets', '/assets/', '/assets/link.js', '/CON', '/con.js', '/%5C%5C.%5CCOM1', '/index.html%00.js', '/index.html/', '/.git/config', `/${'a'.repeat(5_000)}`, '/%zz', '/%', '/api/v1/readings/..%2f..%2ftokens.json', '/api/v1/readings/CON%00'];
      for (const path of paths) {
        const answer = await rawGet(run.server.port, path, { authorization: `Bearer ${run.token()}` });
        expect([400, 404, 414], path).toContain(answer.status);
        expect(JSON.parse(answer.body), path).toMatchObject({ code: expect.stringMatching(/^(ROUTE_UNKNOWN|MESSAGE_INVALID)$/) as string });
      }
    } finally {
      rmSync(outside);
    }
  });
});
