import { describe, expect, it } from 'vitest';
import { ClientOutbox, OUTBOX_LIMITS, type OutboxTransport } from '../../../daemon/server/stream/client-outbox.ts';

/** A client that answers probes when the test says so. */
class StubTransport implements OutboxTransport {
  bufferedAmount = 0;
  sent: number[] = [];
  marks: number[] = [];
  closed: { code: number; reason: string } | null = null;
  send(data: Uint8Array): void {
    this.sent.push(data.byteLength);
  }
  probe(mark: number): void {
    this.marks.push(mark);
  }
  close(code: number, reason: string): void {
    this.closed = { code, reason };
  }
}

function outbox(): { transport: StubTransport; box: ClientOutbox; time: { ms: number }; flows: () => number; answerAll: () => void } {
  const transport = new StubTransport();
  const time = { ms: 0 };
  let flows = 0;
  const box = new ClientOutbox(transport, () => time.ms, () => (flows += 1));
  const answerAll = (): void => {
    for (const mark of transport.marks.splice(0)) box.acknowledged(mark);
  };
  return { transport, box, time, flows: () => flows, answerAll };
}
const bytes = (count: number): Uint8Array => new Uint8Array(count);

describe('the outbox of a client', () => {
  it('sends everything while the client answers', () => {
    const { transport, box, answerAll } = outbox();
    for (let i = 0; i < 200; i++) {
      expect(box.offer(bytes(10_000), true, 'a', 100)).toBe(true);
      answerAll();
    }
    expect(transport.sent).toHaveLength(200);
    expect(box.bytesOnTheWay).toBeLessThan(OUTBOX_LIMITS.probeBytes + 10_000);
    expect(box.skippedTotal).toBe(0);
  });

  it('bounds what is on the way although the socket says that nothing waits', () => {
    const { transport, box } = outbox();
    for (let i = 0; i < 100_000; i++) box.offer(bytes(200), true, 'a', 20);
    expect(transport.bufferedAmount).toBe(0);
    expect(transport.sent.reduce((sum, size) => sum + size, 0)).toBeLessThanOrEqual(OUTBOX_LIMITS.slowBytes + 200);
    expect(box.isSlow).toBe(true);
    expect(transport.closed).toBeNull();
  });

  it('counts every skipped sample by channel and tells it once when there is room again', () => {
    const { transport, box, flows, answerAll } = outbox();
    for (let i = 0; i < 1_000; i++) {
      box.offer(bytes(1_000), true, 'a', 10);
      box.offer(bytes(1_000), true, 'b', 7);
    }
    const sent = transport.sent.length;
    expect(flows()).toBe(0);
    answerAll();
    expect(flows()).toBe(1);
    const skipped = box.takeSkipped();
    // Pairs alternate, so that what was sent splits in halves.
    expect(skipped.get('a')).toBe((1_000 - Math.ceil(sent / 2)) * 10);
    expect(skipped.get('b')).toBe((1_000 - Math.floor(sent / 2)) * 7);
    expect(box.takeSkipped().size).toBe(0);
    expect(box.offer(bytes(10), true, 'a', 1)).toBe(true);
  });

  it('takes a client for slow by age alone, and for flowing when it has answered', () => {
    const { box, time, answerAll, flows } = outbox();
    box.send(bytes(10));
    time.ms = OUTBOX_LIMITS.slowAgeMs + 1;
    expect(box.offer(bytes(10), false, 'a', 5)).toBe(false);
    expect(box.hasRoom).toBe(false);
    answerAll();
    expect(flows()).toBe(1);
    expect(box.hasRoom).toBe(true);
  });

  it('sends events to a slow client, and closes it with 1013 beyond the last limit', () => {
    const { transport, box } = outbox();
    let events = 0;
    while (transport.closed === null && events < 10_000) {
      box.send(bytes(1_000));
      events += 1;
    }
    expect(transport.closed).toMatchObject({ code: 1013 });
    expect(events).toBe(Math.floor(OUTBOX_LIMITS.closeBytes / 1_000) + 1);
    box.send(bytes(1));
    expect(transport.sent).toHaveLength(events);
  });

  it('closes a client by age although little is on the way', () => {
    const { transport, box, time } = outbox();
    box.send(bytes(10));
    time.ms = OUTBOX_LIMITS.closeAgeMs - 1;
    box.check();
    expect(transport.closed).toBeNull();
    time.ms = OUTBOX_LIMITS.closeAgeMs + 1;
    box.check();
    expect(transport.closed).toMatchObject({ code: 1013 });
  });

  it('counts what waits in this process as on the way', () => {
    const { transport, box } = outbox();
    transport.bufferedAmount = OUTBOX_LIMITS.slowBytes + 1;
    box.check();
    expect(box.isSlow).toBe(true);
  });

  it('is not impressed by answers to probes that were never sent', () => {
    const { box } = outbox();
    for (let i = 0; i < 500; i++) box.offer(bytes(1_000), true, 'a', 1);
    const before = box.bytesOnTheWay;
    expect(box.acknowledged(0)).toBe(false);
    expect(box.acknowledged(4_000_000)).toBe(false);
    expect(box.bytesOnTheWay).toBe(before);
  });

  it('frees a client that fell silent after a burst', () => {
    const { box, time, answerAll, transport } = outbox();
    for (let i = 0; i < 300; i++) box.offer(bytes(1_000), true, 'a', 1);
    expect(box.isSlow).toBe(true);
    // Only what is on the way is answered; nothing new is sent.
    for (let turn = 0; turn < 5 && transport.marks.length > 0; turn++) {
      time.ms += 10;
      answerAll();
    }
    expect(box.isSlow).toBe(false);
    expect(box.hasRoom).toBe(true);
  });

  it('asks seldom while little is sent', () => {
    const { box, time, answerAll, transport } = outbox();
    let asked = 0;
    for (let i = 0; i < 1_000; i++) {
      time.ms += 20;
      box.offer(bytes(100), true, 'a', 20);
      asked += transport.marks.length;
      answerAll();
    }
    expect(asked).toBeLessThanOrEqual(201);
  });
});
