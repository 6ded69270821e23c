/** S7 and S9: one over each limit costs that client its connection, with the documented code, and nobody else anything. */
import { connect as connectTcp, type Socket } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import { RefusedUpgrade, rawExchange, rawWebSocket, runServer, type ServerUnderTest, type TestClient } from '../helpers/run-server.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest;
afterEach(() => run.stop());

/** Another client still gets what happens. */
async function expectAlive(witness: TestClient): Promise<void> {
  const { seq } = run.gateway.take().reading;
  await waitUntil(() => witness.seqs.includes(seq!), 'the witness to see a reading');
  expect((await fetch(`http://127.0.0.1:${run.server.port}/healthz`)).status).toBe(200);
}

async function start(settings: Record<string, unknown> = {}): Promise<TestClient> {
  run = await runServer(settings);
  const witness = await run.connect();
  await witness.ask({ type: 'subscribe', liveHz: 0 });
  return witness;
}

describe('one over a limit', () => {
  it('of message size ends with 1009', async () => {
    const witness = await start();
    const client = await run.connect({ scope: 'operate' });
    const frame = (size: number): string => JSON.stringify({ type: 'scan', id: 'x', code: 'y' }).padEnd(size, ' ');
    client.socket.send(frame(64 * 1024));
    await waitUntil(() => client.of('ok').length === 1, 'the largest message to be taken');
    client.socket.send(frame(64 * 1024 + 1));
    expect(await client.closed()).toBe(1009);
    await expectAlive(witness);
  });

  it('of fragments ends with 1008', async () => {
    const witness = await start();
    const client = await run.connect();
    const text = JSON.stringify({ type: 'ping', id: 'p' });
    const parts = (count: number): string[] => [...Array.from({ length: count - 1 }, () => ' '), text];
    const send = (list: string[]): void => list.forEach((part, i) => client.socket.send(part, { fin: i === list.length - 1 }));
    send(parts(16));
    await waitUntil(() => client.of('ok').length === 1, '16 fragments to be taken');
    send(parts(17));
    expect(await client.closed()).toBe(1008);
    await expectAlive(witness);
  });

  it('of messages in a second ends with 1008', async () => {
    const witness = await start();
    const client = await run.connect();
    for (let i = 0; i < 100; i++) client.socket.send(JSON.stringify({ type: 'ping', id: `p${i}` }));
    await waitUntil(() => client.of('ok').length === 100, 'a hundred answers');
    for (let i = 0; i < 5_000; i++) client.socket.send(JSON.stringify({ type: 'ping', id: `q${i}` }));
    expect(await client.closed()).toBe(1008);
    expect(client.closeReason).toContain('100 messages');
    expect(client.of('ok').length).toBeLessThan(400);
    await expectAlive(witness);
  });

  it('of pings and of answers that nobody asked for counts as well', async () => {
    const witness = await start();
    for (const kind of ['ping', 'pong'] as const) {
      const client = await run.connect();
      for (let i = 0; i < 1_000; i++) client.socket[kind](Buffer.from([i & 255]));
      expect(await client.closed()).toBe(1008);
    }
    await expectAlive(witness);
  });

  it('of clients is refused with 429 before the upgrade', async () => {
    await start({ maxClients: 3 });
    await run.connect();
    const third = await run.connect();
    await expect(run.connect()).rejects.toMatchObject({ status: 429 });
    await expect(run.connect()).rejects.toThrow(RefusedUpgrade);
    third.socket.close();
    await third.closed();
    await waitUntil(() => run.server.counters().get('torsiond_server_clients') === 2, 'the place to be free');
    await run.connect();
  });

  it('of time for the handshake: a client that does not finish its request is cut', async () => {
    const witness = await start();
    const answer = await rawExchange(run.server.port, 'GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Slow: ', 9_000);
    expect(answer === '' || answer.startsWith('HTTP/1.1 408')).toBe(true);
    await expectAlive(witness);
  });

  it('of time for the first message: silence and nonsense both end with 1008', async () => {
    const clock = new ManualClock();
    run = await runServer({}, { clock });
    const silent = await run.connect();
    const talker = await run.connect();
    talker.socket.send('nonsense');
    await waitUntil(() => talker.of('refused').length === 1, 'the refusal');
    clock.advance(4_500);
    await silent.hello();
    expect(silent.closeCode).toBeNull();
    clock.advance(1_000);
    expect(await silent.closed()).toBe(1008);
    expect(await talker.closed()).toBe(1008);
  });

  it('of commands under way is refused, and the connection stays', async () => {
    await start();
    let release = (): void => {};
    const gate = new Promise<void>((resolve) => (release = resolve));
    run.gateway.onCommand = () => gate;
    const client = await run.connect({ scope: 'operate' });
    for (let i = 0; i < 40; i++) client.socket.send(JSON.stringify({ type: 'arm', id: `a${i}`, channel: 'bench-a/1' }));
    await waitUntil(() => client.of('refused').length === 8, 'eight refusals');
    expect(client.of('refused').map((answer) => answer.code)).toEqual(new Array(8).fill('LIMIT_REACHED'));
    release();
    await waitUntil(() => client.of('ok').length === 32, 'the rest');
  });

  it('of kinds: binary commands end with 1003', async () => {
    const witness = await start();
    const client = await run.connect();
    client.socket.send(Buffer.from('{"type":"ping","id":"x"}'));
    expect(await client.closed()).toBe(1003);
    await expectAlive(witness);
  });
});

describe('a client that is not there any more', () => {
  it('is cut after two missed heartbeats', async () => {
    const clock = new ManualClock();
    run = await runServer({}, { clock });
    const client = await run.connect({ clientOptions: { autoPong: false } });
    const alive = await run.connect();
    await client.ask({ type: 'ping' });
    await alive.ask({ type: 'ping' });
    client.socket.removeAllListeners('ping');
    for (let i = 0; i < 50 && client.closeCode === null; i++) {
      clock.advance(1_000);
      // Lets the answers of the living one arrive.
      await alive.ask({ type: 'ping' });
    }
    expect(await client.closed()).toBeGreaterThan(1_000);
    expect(alive.closeCode).toBeNull();
    expect(run.server.counters().get('torsiond_server_clients')).toBe(1);
  });
});

describe('frames that break the protocol', () => {
  const FRAMES: Record<string, Buffer> = {
    'reserved bits': Buffer.from([0xff, 0xff, 0xff]),
    'no mask': Buffer.from([0x81, 0x02, 0x68, 0x69]),
    'unknown opcode': Buffer.from([0x83, 0x80, 0, 0, 0, 0]),
    'long ping': Buffer.from([0x89, 0xfe, 0x01, 0x00, 0, 0, 0, 0]),
    'fragmented ping': Buffer.from([0x09, 0x80, 0, 0, 0, 0]),
    'continuation of nothing': Buffer.from([0x80, 0x80, 0, 0, 0, 0]),
    'length of 2^63': Buffer.from([0x81, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]),
    'close code 999': Buffer.from([0x88, 0x82, 0, 0, 0, 0, 0x03, 0xe7]),
    'bytes that are no text': Buffer.from([0x81, 0x82, 0, 0, 0, 0, 0xc3, 0x28]),
    'compressed although it was not agreed': Buffer.from([0xc1, 0x80, 0, 0, 0, 0]),
  };

  for (const [what, frame] of Object.entries(FRAMES)) {
    it(`(${what}) cost that client only`, async () => {
      const witness = await start();
      const socket = await rawWebSocket(run.server.port, run.token());
      socket.write(frame);
      await waitUntil(() => socket.destroyed || socket.readableEnded, 'the daemon to end the connection');
      socket.destroy();
      await waitUntil(() => run.server.counters().get('torsiond_server_clients') === 1, 'the client to be gone');
      expect(run.server.counters().get('torsiond_server_protocol_errors_total')).toBe(1);
      await expectAlive(witness);
    });
  }

  it('and resets at any moment too', async () => {
    const witness = await start();
    for (let i = 0; i < 20; i++) {
      const socket = await rawWebSocket(run.server.port, run.token());
      if (i % 2 === 0) socket.write(Buffer.from([0x81, 0xfe]));
      socket.resetAndDestroy();
    }
    await waitUntil(() => run.server.counters().get('torsiond_server_clients') === 1, 'all to be gone');
    await expectAlive(witness);
  });

  it('and garbage instead of a request too', async () => {
    const witness = await start();
    for (const garbage of ['\x00\x01\x02\x03\r\n\r\n', 'GET\r\n\r\n', `GET / HTTP/1.1\r\n${'x: y\r\n'.repeat(5_000)}\r\n`, 'GET / HTTP/9.9\r\n\r\n', 'POST /api/v1/stream HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n', 'GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade\r\nUpgrade: h2c\r\n\r\n']) {
      expect(await rawExchange(run.server.port, garbage)).toMatch(/^HTTP\/1\.1 4\d\d/);
    }
    await expectAlive(witness);
  });
});

describe('storms', () => {
  it('of opening and closing leave nothing behind', async () => {
    const witness = await start();
    const open: Socket[] = [];
    for (let i = 0; i < 300; i++) {
      const socket = connectTcp(run.server.port, '127.0.0.1');
      socket.on('error', () => {});
      open.push(socket);
      if (open.length > 20) open.shift()!.destroy();
    }
    for (let i = 0; i < 60; i++) {
      const client = await run.connect();
      client.socket.terminate();
    }
    for (const socket of open) socket.destroy();
    await waitUntil(() => run.server.counters().get('torsiond_server_clients') === 1, 'all to be gone');
    await expectAlive(witness);
  });
});
