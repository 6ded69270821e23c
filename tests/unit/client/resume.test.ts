import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { connect, type ClientOptions } from '../../../shared/client/index.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { ScriptedGateway, settle } from '../../helpers/scripted-gateway.ts';

function start(gateway: ScriptedGateway, options: Partial<ClientOptions> = {}) {
  const clock = new ManualClock();
  const client = connect({ url: 'http://127.0.0.1:7616', token: 'abc', WebSocket: gateway.Socket, clock, random: () => 0.5, ...options });
  const seen: number[] = [];
  client.on('reading.stored', (event) => seen.push(event.seq));
  return { clock, client, seen };
}

async function bringUp(gateway: ScriptedGateway): Promise<void> {
  gateway.accept();
  gateway.current?.deliver();
  await settle();
  gateway.current?.deliver();
  await settle();
}

const upTo = (first: number, last: number): number[] => Array.from({ length: last - first + 1 }, (_, i) => first + i);

describe('resume of stored readings', () => {
  it('takes only new readings when no starting point is given', async () => {
    const gateway = new ScriptedGateway();
    gateway.lastSeq = 10;
    const { client, seen } = start(gateway);
    await bringUp(gateway);
    gateway.store();
    gateway.current!.deliver();
    expect(seen).toEqual([11]);
    client.close();
  });

  it('begins with the latest few when asked', async () => {
    const gateway = new ScriptedGateway();
    gateway.lastSeq = 10;
    const { client, seen } = start(gateway, { recent: 3 });
    await bringUp(gateway);
    expect(seen).toEqual([8, 9, 10]);
    client.close();
  });

  it('asks again when a number is missing, and hands on each reading once, in order', async () => {
    const gateway = new ScriptedGateway();
    const { client, seen } = start(gateway, { since: 0 });
    await bringUp(gateway);
    gateway.store();
    gateway.store(true);
    gateway.store();
    gateway.current!.deliver();
    await settle();
    gateway.current!.deliver();
    expect(seen).toEqual([1, 2, 3]);
    expect(gateway.current!.sent.filter((message) => message.type === 'subscribe').map((message) => message.since)).toEqual([0, 1]);
    client.close();
  });

  it('drops a reading that comes twice, counts it, and asks for nothing', async () => {
    const gateway = new ScriptedGateway();
    const { client, seen } = start(gateway, { since: 0 });
    await bringUp(gateway);
    gateway.store();
    gateway.current!.push(gateway.stored(1));
    gateway.current!.deliver();
    expect(seen).toEqual([1]);
    expect(client.counters.repeatedReadings).toBe(1);
    expect(gateway.current!.sent).toHaveLength(1);
    client.close();
  });

  it('tells of a hole that the store itself has, and goes on behind it', async () => {
    const gateway = new ScriptedGateway();
    gateway.lastSeq = 5;
    gateway.holes.add(3);
    const { client, seen } = start(gateway, { since: 0 });
    const missing: unknown[] = [];
    client.on('readings.missing', (event) => missing.push(event));
    await bringUp(gateway);
    gateway.current!.deliver();
    await settle();
    gateway.current!.deliver();
    await settle();
    gateway.store();
    gateway.current!.deliver();
    expect(seen).toEqual([1, 2, 4, 5, 6]);
    expect(missing).toEqual([{ from: 3, to: 3 }]);
    client.close();
  });

  it('takes missing numbers as normal when only some channels are wanted', async () => {
    const gateway = new ScriptedGateway();
    gateway.lastSeq = 5;
    gateway.holes.add(2).add(3);
    const { client, seen } = start(gateway, { since: 0, channels: ['bench-a/1'] });
    await bringUp(gateway);
    expect(seen).toEqual([1, 4, 5]);
    expect(gateway.current!.sent).toHaveLength(1);
    client.close();
  });

  it('says so and starts from the first reading when the gateway comes back with another store', async () => {
    const gateway = new ScriptedGateway();
    gateway.lastSeq = 40;
    const { client, clock, seen } = start(gateway);
    const changes: unknown[] = [];
    client.on('store.changed', (event) => changes.push(event));
    await bringUp(gateway);
    gateway.current!.cut();
    gateway.lastSeq = 2;
    clock.advance(250);
    await bringUp(gateway);
    expect(changes).toEqual([{ seen: 40, lastSeq: 2 }]);
    expect(seen).toEqual([1, 2]);
    client.close();
  });

  it('hands on every reading once and in order, whatever the network does', async () => {
    const step = fc.oneof(
      { weight: 6, arbitrary: fc.constant({ kind: 'store' as const }) },
      { weight: 1, arbitrary: fc.constant({ kind: 'store-unheard' as const }) },
      { weight: 4, arbitrary: fc.record({ kind: fc.constant('deliver' as const), count: fc.integer({ min: 1, max: 5 }) }) },
      { weight: 2, arbitrary: fc.constant({ kind: 'cut' as const }) },
      { weight: 1, arbitrary: fc.constant({ kind: 'dead' as const }) },
      { weight: 1, arbitrary: fc.constant({ kind: 'again' as const }) },
      { weight: 1, arbitrary: fc.constant({ kind: 'all-at-once' as const }) },
      { weight: 1, arbitrary: fc.record({ kind: fc.constant('refuse' as const), count: fc.integer({ min: 1, max: 4 }) }) },
      { weight: 4, arbitrary: fc.record({ kind: fc.constant('wait' as const), ms: fc.integer({ min: 1, max: 12_000 }) }) },
    );
    await fc.assert(fc.asyncProperty(fc.integer({ min: 0, max: 20 }), fc.array(step, { maxLength: 60 }), async (before, steps) => {
      const gateway = new ScriptedGateway();
      gateway.lastSeq = before;
      const { clock, client, seen } = start(gateway, { since: 0 });
      for (const action of steps) {
        const socket = gateway.current!;
        switch (action.kind) {
          case 'store': gateway.store(); break;
          case 'store-unheard': gateway.store(true); break;
          case 'deliver': socket.deliver(action.count); break;
          case 'all-at-once': socket.deliver(); socket.deliver(); break;
          case 'cut': socket.cut(); break;
          case 'dead': socket.isDead = true; break;
          case 'again': if (socket.isSubscribed && gateway.lastSeq > 0) socket.push(gateway.stored(gateway.lastSeq)); break;
          case 'refuse': gateway.refuseNext += action.count; break;
          case 'wait': clock.advance(action.ms); gateway.accept(); break;
        }
        await settle();
      }
      // One more reading, then quiet: everything must have come through.
      for (let round = 0; round < 40; round++) {
        clock.advance(4_000);
        gateway.accept();
        if (round === 30) gateway.store();
        gateway.current!.deliver();
        await settle();
      }
      client.close();
      expect(seen).toEqual(upTo(1, gateway.lastSeq));
      expect(clock.pendingTimers).toBe(0);
    }), { numRuns: 300 });
  });
});
