import { afterEach, describe, expect, it } from 'vitest';
import { WebSocket } from 'ws';
import { connect, type ClientOptions, type TorsiondClient } from '../../shared/client/index.ts';
import { ServerMessage } from '../../shared/wire/events.ts';
import { FakeGateway } from '../helpers/fake-gateway.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest | null = null;
let client: TorsiondClient | null = null;
afterEach(async () => {
  client?.close();
  await run?.stop();
  run = client = null;
});

function join(server: ServerUnderTest, options: Partial<ClientOptions> = {}): { client: TorsiondClient; seqs: number[] } {
  const joined = connect({
    url: `http://127.0.0.1:${server.server.port}`, token: server.token('configure'), schema: ServerMessage, timing: { firstRetryMs: 5, longestRetryMs: 40 }, ...options,
  });
  const seqs: number[] = [];
  joined.on('reading.stored', (event) => seqs.push(event.seq));
  joined.on('fault', (fault) => {
    throw new Error(`unreadable: ${fault.what}`);
  });
  client = joined;
  return { client: joined, seqs };
}
const upTo = (last: number): number[] => Array.from({ length: last }, (_, i) => i + 1);

describe('the client with the gateway\'s server', () => {
  it.each([['Node\'s own WebSocket', {}], ['the ws package', { WebSocket }]])('connects, commands and is refused, with %s', async (_, options) => {
    run = await runServer();
    const { client: joined } = join(run, options);
    const hello = await joined.connected();
    expect(hello.scope).toBe('configure');
    await joined.arm('bench-a/1');
    expect(run.gateway.commands.map((command) => command.type)).toEqual(['arm']);
    await expect(joined.zero('nowhere/1')).rejects.toMatchObject({ code: 'CHANNEL_UNKNOWN' });
    await joined.scan('HF-T-0042');
    expect(run.gateway.scans).toHaveLength(1);
  });

  it('receives samples as bytes, with their channel and time', async () => {
    run = await runServer();
    const { client: joined } = join(run, { samples: 'binary64' });
    const got: { channel: string; torque: number[] }[] = [];
    joined.on('samples', (event) => got.push({ channel: event.channel, torque: [...event.samples] }));
    await joined.connected();
    run.gateway.sample(Float64Array.of(1.5, -2.25, 3), { channel: 'bench-a/2' });
    await waitUntil(() => got.length > 0, 'the samples');
    expect(got).toEqual([{ channel: 'bench-a/2', torque: [1.5, -2.25, 3] }]);
  });

  it('is told that a token is refused, and goes on trying', async () => {
    run = await runServer();
    const { client: joined } = join(run, { token: 'wrong', WebSocket });
    const codes: string[] = [];
    joined.on('disconnected', (lost) => codes.push(lost.error.code));
    await waitUntil(() => codes.length >= 3, 'three attempts');
    expect(new Set(codes)).toEqual(new Set(['ACCESS_TOKEN']));
  });

  it('has every reading once and in order over restarts of the server with readings before, between and after', async () => {
    const gateway = new FakeGateway();
    run = await runServer({}, { gateway });
    const { port } = run.server;
    const { tokens } = run;
    const { seqs, client: joined } = join(run, { since: 0 });
    await joined.connected();
    for (let round = 0; round < 8; round++) {
      for (let i = 0; i < 30; i++) gateway.take();
      // In some rounds the server goes before the client has them.
      if (round % 2 === 0) await waitUntil(() => seqs.length === gateway.store.stored.length, 'the readings so far');
      await run.server.close();
      for (let i = 0; i < 10; i++) gateway.take();
      run = { ...run, ...(await restarted(gateway, port, tokens)) };
      for (let i = 0; i < 5; i++) gateway.take();
    }
    await waitUntil(() => seqs.length >= gateway.store.stored.length, 'all readings');
    expect(seqs).toEqual(upTo(8 * 45));
  });
});

/** Another server at the same place with the same tokens. */
async function restarted(gateway: FakeGateway, port: number, tokens: ServerUnderTest['tokens']): Promise<Pick<ServerUnderTest, 'server' | 'stop'>> {
  const again = await runServer({ port }, { gateway, tokens });
  return { server: again.server, stop: again.stop };
}
