/** S2 and S3: which names and which pages may reach the daemon, over HTTP and at the upgrade. */
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { rawExchange, runServer, upgradeRequest, type ServerUnderTest } from '../helpers/run-server.ts';

let run: ServerUnderTest;
let port: number;
beforeAll(async () => {
  run = await runServer({ allowedHosts: ['bench2.hollin-fenn.example', '192.0.2.7'], allowedOrigins: ['https://wall.hollin-fenn.example'] });
  port = run.server.port;
});
afterAll(() => run.stop());

const status = (answer: string): number => Number(/^HTTP\/1\.1 (\d{3})/.exec(answer)?.[1]);
const bodyOf = (answer: string): Record<string, string> => JSON.parse(answer.slice(answer.indexOf('\r\n\r\n') + 4)) as Record<string, string>;
const getWith = (lines: string[], path = '/healthz', version = '1.1'): Promise<string> =>
  rawExchange(port, [`GET ${path} HTTP/${version}`, ...lines, 'Connection: close', '', ''].join('\r\n'));

/** PORT stands for the port of the server. */
const HOSTS: [value: string, allowed: boolean][] = [
  ['localhost', true], ['localhost:PORT', true], ['LOCALHOST:PORT', true], ['LocalHost.', true], ['localhost.:PORT', true],
  ['127.0.0.1', true], ['127.0.0.1:PORT', true], ['127.0.0.1.:PORT', true], ['[::1]', true], ['[::1]:PORT', true],
  ['bench2.hollin-fenn.example', true], ['BENCH2.Hollin-Fenn.example:443', true], ['192.0.2.7:PORT', true],
  ['evil.example', false], ['evil.example:PORT', false], ['localhost.evil.example', false], ['evil-localhost', false], ['127.0.0.1.evil.example', false],
  ['127.0.0.2', false], ['127.1', false], ['0.0.0.0:PORT', false], ['[::]', false], ['[::1].', false], ['::1', false], ['[::ffff:127.0.0.1]', false],
  ['localhost:99999', false], ['localhost:abc', false], ['localhost:', false], ['user@localhost', false], ['localhost/evil', false],
  ['localhost, evil.example', false], ['lоcalhost', false], ['2130706433', false], ['0x7f000001', false], ['', false],
];

describe('the Host of a request', () => {
  for (const [value, allowed] of HOSTS) {
    it(`"${value}" is ${allowed ? 'let in' : 'refused'}, for HTTP and for the upgrade`, async () => {
      const host = value.replace('PORT', String(port));
      const http = await getWith([`Host: ${host}`]);
      const upgrade = await rawExchange(port, upgradeRequest({ port, host }));
      if (allowed) {
        expect(status(http)).toBe(200);
        // Past the guard, and then without a token.
        expect(status(upgrade)).toBe(401);
      } else {
        expect([400, 403]).toContain(status(http));
        expect([400, 403]).toContain(status(upgrade));
        if (status(http) === 403) expect(bodyOf(http).code).toBe('ACCESS_HOST');
      }
    });
  }

  it('must be there', async () => {
    for (const answer of [await getWith([]), await getWith([], '/healthz', '1.0'), await rawExchange(port, upgradeRequest({ port, host: null }))]) {
      expect(status(answer)).toBe(403);
      expect(bodyOf(answer).code).toBe('ACCESS_HOST');
    }
  });

  it('must be there once', async () => {
    const answer = await getWith(['Host: localhost', 'Host: evil.example']);
    expect([400, 403]).toContain(status(answer));
  });

  it('is checked before anything else: unknown addresses and bad requests of strangers tell nothing', async () => {
    expect(status(await getWith(['Host: evil.example'], '/no/such/thing'))).toBe(403);
    expect(status(await getWith(['Host: evil.example'], '/'))).toBe(403);
  });

  it('is named in the refusal together with the one setting to add', async () => {
    expect(bodyOf(await getWith(['Host: Evil.Example:81']))).toMatchObject({
      code: 'ACCESS_HOST', where: 'server.allowedHosts', message: expect.stringContaining('"evil.example"') as string, hint: expect.stringContaining('server.allowedHosts') as string,
    });
  });
});

const ORIGINS: [value: string, allowed: boolean][] = [
  ['http://localhost:PORT', true], ['http://127.0.0.1:PORT', true], ['http://[::1]:PORT', true], ['http://192.0.2.7:PORT', true],
  ['https://wall.hollin-fenn.example', true],
  ['https://localhost:PORT', false], ['http://localhost', false], ['http://localhost:1', false], ['http://LOCALHOST:PORT', false], ['http://localhost:PORT/', false],
  ['http://localhost:PORT.evil.example', false], ['http://evil.example', false], ['http://evil.example:PORT', false], ['http://127.0.0.2:PORT', false], ['http://192.168.1.1', false],
  ['http://wall.hollin-fenn.example', false], ['https://wall.hollin-fenn.example:8443', false], ['https://wall.hollin-fenn.example.evil.example', false],
  ['https://evil.example/?https://wall.hollin-fenn.example', false], ['https://sub.wall.hollin-fenn.example', false], ['null', false], ['file://', false], ['', false],
  ['chrome-extension://abcdefghijklmnop', false], ['https://wall.hollin-fenn.example, http://evil.example', false],
];

describe('the Origin of a request', () => {
  for (const [value, allowed] of ORIGINS) {
    it(`"${value}" is ${allowed ? 'let in' : 'refused'}, for HTTP and before the upgrade`, async () => {
      const origin = value.replace('PORT', String(port));
      const authorization = `Authorization: Bearer ${run.token()}`;
      const http = await getWith([`Host: localhost:${port}`, `Origin: ${origin}`, authorization], '/api/v1/station');
      const wrongToken = await rawExchange(port, upgradeRequest({ port, headers: [`Origin: ${origin}`] }));
      expect(status(http)).toBe(allowed ? 200 : 403);
      expect(status(wrongToken)).toBe(allowed ? 401 : 403);
      if (!allowed) {
        expect(bodyOf(http)).toMatchObject({ code: 'ACCESS_ORIGIN' });
        // Even a right token does not help a page that is not listed.
        expect(status(await rawExchange(port, upgradeRequest({ port, headers: [`Origin: ${origin}`, authorization] })))).toBe(403);
      }
    });
  }

  it('lets a listed page read answers, and no other', async () => {
    const listed = await run.get('/api/v1/station', { origin: 'https://wall.hollin-fenn.example' });
    expect(listed.headers.get('access-control-allow-origin')).toBe('https://wall.hollin-fenn.example');
    expect(listed.headers.get('vary')).toContain('Origin');
    const own = await run.get('/api/v1/station', { origin: `http://localhost:${port}` });
    expect(own.headers.get('access-control-allow-origin')).toBeNull();
    const preflight = await getWith([`Host: localhost:${port}`, 'Origin: https://wall.hollin-fenn.example', 'Access-Control-Request-Method: GET', 'Access-Control-Request-Headers: authorization'], '/api/v1/station').then(() =>
      rawExchange(port, ['OPTIONS /api/v1/station HTTP/1.1', `Host: localhost:${port}`, 'Origin: https://wall.hollin-fenn.example', 'Access-Control-Request-Method: GET', 'Connection: close', '', ''].join('\r\n')));
    expect(status(preflight)).toBe(204);
    expect(preflight.toLowerCase()).toContain('access-control-allow-headers: authorization');
  });

  it('may be missing only with a token in a header: in the subprotocol list it is a browser\'s, and browsers send an Origin', async () => {
    const inList = `torsiond.v1, torsiond.token.${run.token()}`;
    const refused = await rawExchange(port, upgradeRequest({ port, protocols: inList }));
    expect(status(refused)).toBe(401);
    expect(refused).toContain('the token stands in the subprotocol list, which is for pages');
    expect(refused).not.toContain(run.token());
    const client = await run.connect({ token: null, protocols: ['torsiond.v1', `torsiond.token.${run.token()}`], clientOptions: { headers: { origin: `http://localhost:${port}` } } });
    expect(await client.hello()).toMatchObject({ scope: 'read' });
    expect(client.socket.protocol).toBe('torsiond.v1');
    expect(await (await run.connect()).hello()).toMatchObject({ scope: 'read' });
  });
});
