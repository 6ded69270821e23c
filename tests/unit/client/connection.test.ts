import { readFileSync } from 'node:fs';
import { describe, expect, expectTypeOf, it } from 'vitest';
import { WebSocket as WsWebSocket } from 'ws';
import { backOffMs } from '../../../shared/client/back-off.ts';
import { connect, type ClientOptions, type SocketConstructor } from '../../../shared/client/index.ts';
import { encodeSamples } from '../../../shared/wire/binary-samples.ts';
import { ServerMessage, type ChannelInfo } from '../../../shared/wire/events.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { ScriptedGateway, settle } from '../../helpers/scripted-gateway.ts';

function start(options: Partial<ClientOptions> = {}) {
  const gateway = new ScriptedGateway();
  const clock = new ManualClock();
  const client = connect({ url: 'http://127.0.0.1:7616', token: 'abc', WebSocket: gateway.Socket, clock, random: () => 0, ...options });
  const bringUp = async (): Promise<void> => {
    gateway.accept();
    for (let i = 0; i < 2; i++) {
      gateway.current!.deliver();
      await settle();
    }
  };
  return { gateway, clock, client, bringUp };
}

const channel: ChannelInfo = {
  index: 3, id: 'bench-a/1', title: 'Bench A', instrument: 'bench-a', state: 'armed', settings: CaptureSettings.parse({ mode: 'peak' }),
  transducer: { serialNumber: 'HF-0001', capacity: 60, resolution: 0.01, calibrationDue: null, overdue: false }, sampleRateHz: 1000,
};

describe('opening', () => {
  it('turns the address into the stream and keeps the token out of it', async () => {
    const { gateway, client } = start();
    expect(gateway.current!.url).toBe('ws://127.0.0.1:7616/api/v1/stream');
    expect(gateway.current!.protocols).toEqual(['torsiond.v1', 'torsiond.token.abc']);
    expect(gateway.current!.headers).toEqual({ authorization: 'Bearer abc' });
    client.close();
  });

  it('keeps a path that a proxy needs', () => {
    const { gateway, client } = start({ url: 'https://station.example/torque/api/v1/stream', token: '' });
    expect(gateway.current!.url).toBe('wss://station.example/torque/api/v1/stream');
    expect(gateway.current!.protocols).toEqual(['torsiond.v1']);
    client.close();
  });

  it.each([['not an address', 'abc', 'USAGE'], ['ftp://127.0.0.1', 'abc', 'USAGE'], ['http://127.0.0.1', 'a b', 'ACCESS_TOKEN']])(
    'refuses at once what can never work: %s with token "%s"', (url, token, code) => {
      expect(() => start({ url, token })).toThrow(expect.objectContaining({ code }));
    });

  it('takes the classes of browsers and of the ws package', () => {
    expectTypeOf(WsWebSocket).toExtend<SocketConstructor>();
    expectTypeOf<typeof globalThis.WebSocket>().toExtend<SocketConstructor>();
  });

  it('asks for what the application wants, from the first subscription on', async () => {
    const { gateway, client, bringUp } = start({ liveHz: 20, samples: 'binary', since: 7 });
    gateway.lastSeq = 7;
    await bringUp();
    expect(gateway.current!.sent).toEqual([{ type: 'subscribe', id: 'c1', liveHz: 20, samples: 'binary', since: 7 }]);
    expect(client.isConnected).toBe(true);
    client.close();
  });

  it('lets go and tries again when no greeting comes', async () => {
    const { gateway, clock, client } = start();
    const lost: unknown[] = [];
    client.on('disconnected', (event) => lost.push(event.error.code));
    clock.advance(10_000);
    expect(lost).toEqual(['CLIENT_TIMEOUT']);
    expect(gateway.sockets[0]!.isClosed).toBe(true);
    clock.advance(250);
    expect(gateway.sockets).toHaveLength(2);
    client.close();
  });

  it('names a refused token where the runtime tells of it', () => {
    const { gateway, client } = start();
    const codes: string[] = [];
    client.on('disconnected', (event) => codes.push(event.error.code));
    gateway.current!.fire('error', { message: 'Unexpected server response: 401' });
    gateway.current!.cut();
    expect(codes).toEqual(['ACCESS_TOKEN']);
    client.close();
  });
});

describe('staying connected', () => {
  it('tries for ever, with growing waits that have a ceiling', () => {
    const { gateway, clock, client } = start();
    const waits: number[] = [];
    client.on('disconnected', (event) => waits.push(event.retryInMs));
    for (let i = 0; i < 50; i++) {
      gateway.current!.cut();
      clock.advance(10_000);
    }
    expect(waits.slice(0, 7)).toEqual([125, 250, 500, 1_000, 2_000, 4_000, 5_000]);
    expect(waits).toHaveLength(50);
    expect(Math.max(...waits)).toBe(5_000);
    client.close();
  });

  it('spreads the waits of many clients over the upper half', () => {
    const options = { firstMs: 250, longestMs: 10_000 };
    expect(backOffMs(1, 0, options)).toBe(125);
    expect(backOffMs(1, 0.999, options)).toBeCloseTo(250, 0);
    expect(backOffMs(2_000, 0, options)).toBe(5_000);
  });

  it('starts the waits anew only after a steady connection', async () => {
    const { gateway, clock, client, bringUp } = start();
    const waits: number[] = [];
    client.on('disconnected', (event) => waits.push(event.retryInMs));
    for (const steadyMs of [0, 0, 0, 6_000, 0]) {
      await bringUp();
      clock.advance(steadyMs);
      gateway.current!.cut();
      clock.advance(waits.at(-1)!);
    }
    expect(waits).toEqual([125, 250, 500, 125, 250]);
    client.close();
  });

  it('pings a quiet gateway and gives up on one that does not answer', async () => {
    const { gateway, clock, client, bringUp } = start();
    const lost: string[] = [];
    client.on('disconnected', (event) => lost.push(event.error.message));
    await bringUp();
    clock.advance(5_000);
    expect(gateway.current!.sent.at(-1)!.type).toBe('ping');
    gateway.current!.deliver();
    await settle();
    clock.advance(5_000);
    gateway.current!.deliver();
    expect(lost).toEqual([]);
    gateway.current!.isDead = true;
    clock.advance(10_000);
    expect(lost).toEqual(['the gateway has been silent for 10000 ms']);
    client.close();
  });

  it('subscribes again with the changed interest after a loss', async () => {
    const { gateway, clock, client, bringUp } = start();
    await bringUp();
    const changed = client.subscribe({ liveHz: 2 });
    gateway.current!.deliver();
    await changed;
    gateway.current!.cut();
    clock.advance(250);
    await bringUp();
    expect(gateway.current!.sent[0]).toMatchObject({ type: 'subscribe', liveHz: 2, since: 0 });
    client.close();
  });

  it('leaves no timer and tells nothing after close', async () => {
    const { gateway, clock, client, bringUp } = start();
    await bringUp();
    const told: string[] = [];
    client.on('disconnected', () => told.push('disconnected'));
    client.on('reading.stored', () => told.push('reading'));
    const socket = gateway.current!;
    const arming = client.arm('bench-a/1');
    client.close();
    socket.fire('message', { data: JSON.stringify(gateway.stored(1)) });
    socket.fire('close', { code: 1006, reason: '' });
    await expect(arming).rejects.toMatchObject({ code: 'CLIENT_CLOSED' });
    await expect(client.connected()).rejects.toMatchObject({ code: 'CLIENT_CLOSED' });
    await expect(client.zero('bench-a/1')).rejects.toMatchObject({ code: 'CLIENT_CLOSED' });
    expect(told).toEqual([]);
    expect(clock.pendingTimers).toBe(0);
    expect(gateway.sockets).toHaveLength(1);
  });

  it('ends a wait for the connection when closed before there is one', async () => {
    const { client } = start();
    const waiting = client.connected();
    client.close();
    await expect(waiting).rejects.toMatchObject({ code: 'CLIENT_CLOSED' });
  });
});

describe('commands', () => {
  it('resolve with the gateway\'s result', async () => {
    const { gateway, client, bringUp } = start();
    gateway.onCommand = (socket, message) => socket.push({ type: 'ok', id: message.id, result: { echo: message } });
    await bringUp();
    const all = Promise.all([
      client.arm('a/1'), client.hold('a/1'), client.zero('a/1'), client.latch('a/1'),
      client.configure('a/1', { mode: 'track', holdMs: null }), client.scan('HF-T-0042'),
    ]);
    gateway.current!.deliver();
    expect((await all).map((result) => (result as { echo: object }).echo)).toMatchObject([
      { type: 'arm', channel: 'a/1' }, { type: 'hold', channel: 'a/1' }, { type: 'zero', channel: 'a/1' }, { type: 'latch', channel: 'a/1' },
      { type: 'configure', channel: 'a/1', mode: 'track', holdMs: null }, { type: 'scan', code: 'HF-T-0042' },
    ]);
    client.close();
  });

  it('reject with the gateway\'s reason and hint', async () => {
    const { gateway, client, bringUp } = start();
    gateway.onCommand = (socket, message) => socket.push({ type: 'refused', id: message.id, code: 'ZERO_REFUSED', message: 'torque is 12 N.m', hint: 'Unload it.' });
    await bringUp();
    const zeroing = client.zero('a/1');
    gateway.current!.deliver();
    await expect(zeroing).rejects.toMatchObject({ name: 'TorsiondError', code: 'ZERO_REFUSED', message: 'torque is 12 N.m', hint: 'Unload it.', where: 'zero' });
    client.close();
  });

  it('reject with CLIENT_REFUSED when a newer gateway names an unknown reason', async () => {
    const { gateway, client, bringUp } = start();
    gateway.onCommand = (socket, message) => socket.push({ type: 'refused', id: message.id, code: 'MOON_PHASE', message: 'not tonight', hint: '' });
    await bringUp();
    const arming = client.arm('a/1');
    gateway.current!.deliver();
    await expect(arming).rejects.toMatchObject({ code: 'CLIENT_REFUSED', message: 'MOON_PHASE: not tonight' });
    client.close();
  });

  it('time out, and a late answer changes nothing', async () => {
    const { gateway, clock, client, bringUp } = start();
    await bringUp();
    let late: (() => void) | null = null;
    gateway.onCommand = (socket, message) => {
      if (message.type === 'arm') late = () => socket.push({ type: 'ok', id: message.id });
      else socket.push({ type: 'ok', id: message.id });
    };
    const arming = client.arm('a/1');
    const rejected = expect(arming).rejects.toMatchObject({ code: 'CLIENT_TIMEOUT' });
    clock.advance(9_000);
    gateway.current!.deliver();
    clock.advance(1_000);
    await rejected;
    late!();
    gateway.current!.deliver();
    await settle();
    expect(client.isConnected).toBe(true);
    client.close();
  });

  it('are never sent late: not without a connection, and not again after a loss', async () => {
    const { gateway, clock, client, bringUp } = start();
    await expect(client.zero('a/1')).rejects.toMatchObject({ code: 'CLIENT_DISCONNECTED' });
    await bringUp();
    const zeroing = client.zero('a/1');
    gateway.current!.cut();
    await expect(zeroing).rejects.toMatchObject({ code: 'CLIENT_DISCONNECTED' });
    clock.advance(250);
    await bringUp();
    expect(gateway.current!.sent.map((message) => message.type)).toEqual(['subscribe']);
    client.close();
  });

  it('are bounded in number', async () => {
    const { gateway, client, bringUp } = start();
    await bringUp();
    gateway.onCommand = () => undefined;
    const asked = Array.from({ length: 257 }, () => client.arm('a/1').catch((error: { code: string }) => error.code));
    await expect(asked[256]).resolves.toBe('LIMIT_REACHED');
    client.close();
    await expect(asked[0]).resolves.toBe('CLIENT_CLOSED');
  });
});

describe('what comes in', () => {
  it('passes over types that it does not know', async () => {
    const { gateway, client, bringUp } = start();
    await bringUp();
    gateway.current!.push({ type: 'verification.finished', at: 'x' });
    gateway.store();
    const seen: number[] = [];
    client.on('reading.stored', (event) => seen.push(event.seq));
    gateway.current!.deliver();
    expect(seen).toEqual([1]);
    expect(client.counters.unknownTypes).toBe(1);
    client.close();
  });

  it.each(['nonsense', '[]', '{"type":5}', '{"type":"reading.stored","seq":"1"}', '{"type":"reading.stored","seq":1}', '{"type":"channel.live"}', '{"type":"hello"}'])(
    'drops and counts the unreadable %s', async (text) => {
      const { gateway, client, bringUp } = start();
      const faults: string[] = [];
      client.on('fault', (event) => faults.push(event.what));
      await bringUp();
      gateway.current!.wire.push(text);
      gateway.current!.deliver();
      expect(faults).toHaveLength(1);
      expect(client.isConnected).toBe(true);
      client.close();
    });

  it('checks whole messages when given the schema', async () => {
    const { gateway, client, bringUp } = start({ schema: ServerMessage });
    const faults: string[] = [];
    client.on('fault', (event) => faults.push(event.what));
    await bringUp();
    gateway.store();
    gateway.current!.push({ type: 'store.state', at: '2026-11-25T08:00:00Z', state: 'dancing', detail: null });
    gateway.current!.deliver();
    expect(client.lastSeq).toBe(1);
    expect(faults).toHaveLength(1);
    expect(faults[0]).toMatch(/^store\.state: /);
    client.close();
  });

  it('gives samples one shape, whether bytes or JSON', async () => {
    const { gateway, client } = start({ samples: 'binary' });
    const got: unknown[] = [];
    client.on('samples', (event) => got.push(event));
    gateway.current!.push(gateway.hello({ channels: [channel] }));
    gateway.current!.deliver();
    const startWallMs = Date.UTC(2026, 10, 25, 8);
    const bytes = encodeSamples({ channelIndex: 3, epoch: 2, firstIndex: 500, startWallMs, spacingMs: 1, broken: true, samples: Float64Array.of(1, -2.5) });
    gateway.current!.wire.push(bytes.slice().buffer);
    gateway.current!.push({ type: 'samples', at: '', channel: 'bench-a/1', epoch: 2, firstIndex: 500, startAt: '2026-11-25T08:00:00.000Z', spacingMs: 1, broken: true, torque: [1, -2.5] });
    gateway.current!.deliver();
    const expected = { channel: 'bench-a/1', epoch: 2, firstIndex: 500, startWallMs, spacingMs: 1, broken: true, samples: Float64Array.of(1, -2.5) };
    expect(got).toEqual([expected, expected]);
    client.close();
  });

  it('counts sample frames that are cut or of an unnamed channel', async () => {
    const { gateway, client, bringUp } = start();
    await bringUp();
    const bytes = encodeSamples({ channelIndex: 9, epoch: 1, firstIndex: 0, startWallMs: 0, spacingMs: 1, broken: false, samples: Float32Array.of(1) });
    gateway.current!.wire.push(bytes.slice().buffer, bytes.slice(0, 41).buffer);
    gateway.current!.deliver();
    expect(client.counters.unreadable).toBe(2);
    client.close();
  });
});

describe('the package', () => {
  it('needs neither zod nor Node at run time', () => {
    const seen = new Set<string>();
    const visit = (file: URL): void => {
      if (seen.has(file.href)) return;
      seen.add(file.href);
      for (const [, target] of readFileSync(file, 'utf8').matchAll(/^(?:import|export)\s+(?!type\b)[^;]*?from '([^']+)'/gm)) {
        expect(target, `${file.pathname} imports ${target}`).toMatch(/^\./);
        visit(new URL(target!, file));
      }
    };
    visit(new URL('../../../shared/client/index.ts', import.meta.url));
    expect(seen.size).toBeGreaterThan(8);
  });
});
