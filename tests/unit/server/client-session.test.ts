/** The life of a client without sockets: time and answers are the test's. */
import { describe, expect, it } from 'vitest';
import type { Access } from '../../../daemon/server/access/access.ts';
import { ServerCounters } from '../../../daemon/server/counters.ts';
import { HEARTBEAT_MS, type ClientSession, type SessionTransport } from '../../../daemon/server/stream/client-session.ts';
import { StreamHub } from '../../../daemon/server/stream/stream-hub.ts';
import { ServerMessage } from '../../../shared/wire/events.ts';
import { FakeGateway } from '../../helpers/fake-gateway.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';

class StubClient implements SessionTransport {
  bufferedAmount = 0;
  isAnswering = true;
  isTerminated = false;
  closed: number | null = null;
  probes = 0;
  pongs = 0;
  readonly messages: ServerMessage[] = [];
  session: ClientSession | null = null;
  readonly #unanswered: number[] = [];

  send(data: Uint8Array): void {
    this.messages.push(ServerMessage.parse(JSON.parse(Buffer.from(data).toString())));
  }
  probe(mark: number): void {
    this.probes += 1;
    this.#unanswered.push(mark);
  }
  answerPing(): void {
    this.pongs += 1;
  }
  close(code: number): void {
    this.closed ??= code;
    this.session?.onClosing();
  }
  terminate(): void {
    this.isTerminated = true;
  }
  answer(): void {
    if (this.isAnswering) for (const mark of this.#unanswered.splice(0)) this.session!.receiveAnswer(mark);
  }
  say(message: object): void {
    this.session!.receive(Buffer.from(JSON.stringify(message)), false);
  }
}

function setUp(): { clock: ManualClock; gateway: FakeGateway; hub: StreamHub; counters: ServerCounters; join: (access?: Access) => StubClient; run: (ms: number, client: StubClient) => void } {
  const clock = new ManualClock();
  const gateway = new FakeGateway(clock);
  const counters = new ServerCounters();
  const quiet = (): void => {};
  const hub = new StreamHub({ gateway, clock, counters, stillHolds: () => true, log: { debug: quiet, info: quiet, warn: quiet, error: quiet } });
  return {
    clock, gateway, hub, counters,
    join: (access = { scope: 'read', tokenId: 't', label: 'test' }) => {
      const client = new StubClient();
      client.session = hub.join(client, access);
      return client;
    },
    run: (ms, client) => {
      for (let i = 0; i < ms / 100; i++) {
        clock.advance(100);
        client.answer();
      }
    },
  };
}

describe('a client without a socket', () => {
  it('is asked for a sign of life every 15 s and stays while it gives one', () => {
    const { join, run } = setUp();
    const client = join();
    client.say({ type: 'ping', id: 'a' });
    run(1_000, client);
    const before = client.probes;
    run(10 * HEARTBEAT_MS, client);
    expect(client.probes - before).toBe(10);
    expect(client.isTerminated).toBe(false);
    expect(client.closed).toBeNull();
  });

  it('is cut after two missed signs of life although nothing is on the way to it', () => {
    const { join, run } = setUp();
    const client = join();
    client.say({ type: 'ping', id: 'a' });
    run(20_000, client);
    expect(client.session!.outbox.bytesOnTheWay).toBeLessThan(2_000);
    client.isAnswering = false;
    run(2 * HEARTBEAT_MS, client);
    expect(client.isTerminated).toBe(false);
    run(HEARTBEAT_MS, client);
    expect(client.isTerminated).toBe(true);
  });

  it('is cut when it does not answer a goodbye', () => {
    const { join, run } = setUp();
    const client = join();
    run(5_500, client);
    expect(client.closed).toBe(1008);
    expect(client.isTerminated).toBe(false);
    run(3_000, client);
    expect(client.isTerminated).toBe(true);
  });

  it('has its pings answered up to the limit', () => {
    const { join } = setUp();
    const client = join();
    for (let i = 0; i < 500; i++) client.session!.receivePing(Buffer.from('x'));
    expect(client.pongs).toBe(100);
    expect(client.closed).toBe(1008);
  });

  it('leaves no timer and no subscription behind', () => {
    const { join, hub, clock, gateway } = setUp();
    const timersBefore = clock.pendingTimers;
    for (let i = 0; i < 50; i++) {
      const client = join();
      client.say({ type: 'subscribe', id: 'a', samples: 'json', liveHz: 1 + (i % 50) });
      gateway.sample(new Float64Array(3));
      client.say({ type: 'subscribe', id: 'b', liveHz: 5 });
      hub.leave(client.session!);
    }
    expect(clock.pendingTimers).toBe(timersBefore);
    expect(hub.clientCount).toBe(0);
    hub.close();
    expect(clock.pendingTimers).toBe(0);
    expect(gateway.events$.observed || gateway.samples$.observed).toBe(false);
  });

  it('counts what was skipped for it', () => {
    const { join, gateway, clock, counters } = setUp();
    const client = join();
    client.isAnswering = false;
    client.say({ type: 'subscribe', id: 'a', samples: 'json', liveHz: 0 });
    for (let i = 0; i < 200; i++) {
      gateway.sample(new Float64Array(1_000).fill(1 / 3));
      clock.advance(20);
    }
    const delivered = client.messages.reduce((sum, message) => sum + (message.type === 'samples' ? message.torque.length : 0), 0);
    clock.advance(1_000);
    expect(counters.all().get('torsiond_server_samples_skipped_total')).toBe(200_000 - delivered);
    client.isAnswering = true;
    client.answer();
    clock.advance(100);
    client.answer();
    expect(client.messages.filter((message) => message.type === 'samples.skipped')).toMatchObject([{ channel: 'bench-a/1', count: 200_000 - delivered }]);
  });
});
