/** S4 and S6: a token for every stream, command and record, and what each scope may do. */
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { ROUTES } from '../../daemon/server/http/routes.ts';
import { ClientMessage, COMMAND_SCOPES, type Scope } from '../../shared/wire/commands.ts';
import { RefusedUpgrade, runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest;
beforeAll(async () => {
  run = await runServer();
  run.gateway.take();
});
afterAll(() => run.stop());

const changed = (token: string): Record<string, string | null> => ({
  none: null, wrong: 'A'.repeat(43), truncated: token.slice(0, -1), longer: `${token}A`, 'other case': token === token.toUpperCase() ? token.toLowerCase() : token.toUpperCase(),
  empty: '', 'its hash': 'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855',
});

describe('a token is needed', () => {
  const guarded = ROUTES.filter((route) => route.scope === 'read').map((route) => route.path.replace(':id', 'reading-1'));

  it.each(guarded)('for %s', async (path) => {
    for (const [what, token] of Object.entries(changed(run.token()))) {
      const response = await fetch(`http://127.0.0.1:${run.server.port}${path}`, { headers: token === null ? {} : { authorization: `Bearer ${token}` } });
      expect(response.status, what).toBe(401);
      expect(response.headers.get('www-authenticate')).toBe('Bearer');
      expect(await response.json(), what).toMatchObject({ code: 'ACCESS_TOKEN' });
    }
  });

  it('for the stream, and the refusal comes before the upgrade', async () => {
    for (const [what, token] of Object.entries(changed(run.token()))) {
      const attempt = run.connect({ token });
      await expect(attempt, what).rejects.toThrow(RefusedUpgrade);
      await expect(attempt, what).rejects.toMatchObject({ status: 401 });
    }
  });

  it('but not for whether the daemon lives', async () => {
    for (const path of ['/healthz', '/readyz']) expect((await fetch(`http://127.0.0.1:${run.server.port}${path}`)).status).toBe(200);
  });

  it('and never counts in the address', async () => {
    for (const name of ['token', 'access_token', 'torsiond.token']) {
      const bare = await fetch(`http://127.0.0.1:${run.server.port}/api/v1/station?${name}=${run.token()}`);
      expect(bare.status).toBe(401);
      const refused = await run.get(`/api/v1/station?${name}=${run.token()}`);
      expect(refused.status).toBe(400);
      expect(await refused.text()).not.toContain(run.token());
    }
  });
});

const EXAMPLES: Record<ClientMessage['type'], Record<string, unknown>> = {
  subscribe: {}, unsubscribe: {}, ping: {}, scan: { code: 'W-17' }, configure: { channel: 'bench-a/1', mode: 'peak' },
  arm: { channel: 'bench-a/1' }, hold: { channel: 'bench-a/1' }, zero: { channel: 'bench-a/1' }, latch: { channel: 'bench-a/1' },
};

describe('the scope of a token', () => {
  const order: Scope[] = ['read', 'operate', 'configure'];
  for (const scope of order) {
    it(`${scope} may do what it covers and nothing more`, async () => {
      const client = await run.connect({ scope });
      const before = run.gateway.commands.length;
      let passed = 0;
      for (const [type, rest] of Object.entries(EXAMPLES)) {
        const needed = COMMAND_SCOPES[type as ClientMessage['type']];
        const answer = await client.ask({ type, ...rest });
        if (order.indexOf(scope) >= order.indexOf(needed)) {
          expect(answer, type).toMatchObject({ type: 'ok' });
          if (needed !== 'read' && type !== 'scan') passed += 1;
        } else {
          expect(answer, type).toMatchObject({ type: 'refused', code: 'ACCESS_SCOPE', message: expect.stringContaining(needed) as string });
        }
      }
      expect(run.gateway.commands.length - before).toBe(passed);
    });
  }

  it('has an example of every command here', () => {
    expect(Object.keys(EXAMPLES).sort()).toEqual(ClientMessage.options.map((option) => option.shape.type.value).sort());
  });
});

describe('tokens while the daemon runs', () => {
  it('are known as soon as they are made and gone as soon as they are revoked', async () => {
    const { token, record } = run.tokens.create('read', 'wall display');
    const client = await run.connect({ token });
    await client.ask({ type: 'ping' });
    run.tokens.revoke(record.id);
    expect((await run.get('/api/v1/station', { authorization: `Bearer ${token}` })).status).toBe(401);
    expect(await client.closed()).toBe(1008);
    expect(client.closeReason).toContain('revoked');
  });
});

describe('log, answers and files', () => {
  it('never hold a token', async () => {
    const { token } = run.tokens.create('configure', 'secrecy');
    const seen: string[] = [];
    const note = async (answer: Promise<Response>): Promise<void> => {
      const response = await answer;
      seen.push(JSON.stringify([...response.headers]), await response.text());
    };
    await note(run.get('/api/v1/station', { authorization: `Bearer ${token}` }));
    await note(run.get(`/api/v1/readings?token=${token}`));
    await note(run.get(`/api/v1/readings/${token}`, { authorization: 'Bearer nonsense' }));
    await note(run.get(`/${token}`));
    await note(run.get('/metrics', { authorization: `Bearer ${token}` }));
    const client = await run.connect({ token });
    await client.ask({ type: 'scan', code: 'x' });
    await client.ask({ type: token });
    client.socket.close();
    await client.closed();
    const { readFileSync, readdirSync } = await import('node:fs');
    const files = readdirSync(run.dataDirectory).map((name) => readFileSync(`${run.dataDirectory}/${name}`, 'utf8'));
    await waitUntil(() => run.logLines.some((line) => line.includes('a client left')), 'the log');
    // What a client itself sent as the name of a command comes back to that client only.
    expect([...run.logLines, ...seen, ...files, JSON.stringify([...run.server.counters()])].join('\n')).not.toContain(token);
  });
});
