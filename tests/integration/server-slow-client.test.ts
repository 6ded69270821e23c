/** A client that stops reading, and one that floods: the others notice nothing, memory stays bounded, no reading is lost. */
import { afterEach, describe, expect, it } from 'vitest';
import { OUTBOX_LIMITS } from '../../daemon/server/stream/client-outbox.ts';
import { reading } from '../helpers/fake-gateway.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest;
afterEach(() => run.stop());

const upTo = (last: number): number[] => Array.from({ length: last }, (_, i) => i + 1);
const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

describe('a client that stops reading', () => {
  it('costs bounded memory and no delay, and gets every reading in order on the same connection', async () => {
    run = await runServer();
    const witness = await run.connect();
    await witness.ask({ type: 'subscribe', liveHz: 0, events: ['reading.stored'] });
    const stopped = await run.connect();
    await stopped.ask({ type: 'subscribe', liveHz: 50, samples: 'binary64', since: 0 });
    const sentBefore = run.server.counters().get('torsiond_server_bytes_sent_total')!;
    stopped.socket.pause();

    // 100 000 blocks of 1 kB: what the stopped client would have been owed is 100 MB.
    const block = new Float64Array(128).fill(1);
    const heapBefore = process.memoryUsage().rss;
    for (let round = 0; round < 100; round++) {
      for (let i = 0; i < 1_000; i++) run.gateway.sample(block);
      run.gateway.take();
      await turn();
    }
    await waitUntil(() => witness.seqs.length === 100, 'the witness to see all readings');
    expect(witness.seqs).toEqual(upTo(100));
    const sent = run.server.counters().get('torsiond_server_bytes_sent_total')! - sentBefore;
    // To the witness 100 readings, to the stopped one no more than the limit and the batch that went over it.
    expect(sent).toBeLessThan(OUTBOX_LIMITS.slowBytes + 300_000);
    expect((process.memoryUsage().rss - heapBefore) / 1e6).toBeLessThan(150);
    expect(stopped.closeCode).toBeNull();

    stopped.socket.resume();
    await waitUntil(() => stopped.seqs.length === 100, 'the stopped client to catch up');
    expect(stopped.seqs).toEqual(upTo(100));
    await waitUntil(() => stopped.of('samples.skipped').length > 0, 'to be told what was skipped');
    const delivered = (): number => stopped.frames.reduce((sum, frame) => sum + frame.samples.length, 0);
    const skipped = (): number => stopped.of('samples.skipped').reduce((sum, message) => sum + message.count, 0);
    await waitUntil(() => delivered() + skipped() === 100_000 * 128, 'every sample to be delivered or told as skipped');
    expect(skipped()).toBeGreaterThan(1_000_000);
    run.gateway.sample(block);
    await waitUntil(() => stopped.frames.at(-1)!.firstIndex === 100_000 * 128, 'samples to flow again');
    // The first frame after the skipped ones says that it does not continue.
    expect(stopped.frames.filter((frame) => frame.broken).length).toBeGreaterThanOrEqual(2);
    let next = -1;
    for (const frame of stopped.frames) {
      expect(frame.broken).toBe(frame.firstIndex !== next);
      next = frame.firstIndex + frame.samples.length;
    }
  });

  it('keeps no reading from the others while it is stopped', async () => {
    run = await runServer();
    const witness = await run.connect();
    await witness.ask({ type: 'subscribe', liveHz: 0, events: ['reading.stored'] });
    const stopped = await Promise.all(Array.from({ length: 5 }, () => run.connect()));
    for (const client of stopped) {
      await client.ask({ type: 'subscribe', liveHz: 50, samples: 'json' });
      client.socket.pause();
    }
    const block = new Float64Array(256).fill(1.234567);
    for (let i = 0; i < 60; i++) {
      const { seq } = run.gateway.take().reading;
      // Before anything else is taken: no reading needs a later one, nor the stopped clients, to get through.
      await waitUntil(() => witness.seqs.at(-1) === seq, `reading ${seq}`);
      for (let k = 0; k < 40; k++) run.gateway.sample(block);
      await turn();
    }
    for (const client of stopped) expect([client.closeCode, client.seqs]).toEqual([null, []]);
  });

  it('for too long is closed, and gets the rest when it comes back with since', async () => {
    const clock = new ManualClock();
    run = await runServer({}, { clock });
    const client = await run.connect();
    await client.ask({ type: 'subscribe', liveHz: 0, since: 0 });
    for (let i = 0; i < 50; i++) run.gateway.take();
    await waitUntil(() => client.seqs.length === 50, 'the first fifty');
    client.socket.pause();
    for (let i = 0; i < 300; i++) {
      run.gateway.take();
      if (i % 5 === 0) clock.advance(1_000);
      await turn();
    }
    await waitUntil(() => run.server.counters().get('torsiond_server_clients') === 0, 'the client to be given up');
    client.socket.resume();
    await client.closed();
    const last = client.seqs.at(-1) ?? 0;
    expect(client.seqs).toEqual(upTo(last));
    const back = await run.connect();
    await back.ask({ type: 'subscribe', liveHz: 0, since: last });
    await waitUntil(() => (back.seqs.at(-1) ?? last) === 350, 'the rest');
    expect([...client.seqs, ...back.seqs]).toEqual(upTo(350));
  });

  it('while catching up from far behind still gets live values', async () => {
    run = await runServer();
    for (let i = 0; i < 3_000; i++) run.gateway.store.add(reading(i + 1));
    await run.stop();
    const { gateway } = run;
    run = await runServer({}, { gateway });
    const client = await run.connect();
    await client.ask({ type: 'subscribe', liveHz: 50, since: 0 });
    const feeding = setInterval(() => gateway.sample(new Float64Array(20).fill(1)), 10);
    try {
      gateway.take();
      await waitUntil(() => client.seqs.length === 3_001 && client.of('channel.live').length > 0, 'everything');
    } finally {
      clearInterval(feeding);
    }
    expect(client.seqs).toEqual(upTo(3_001));
  });
});

describe('a client that floods', () => {
  it('is cut off, and keeps no reading from the others', async () => {
    run = await runServer();
    const witness = await run.connect();
    await witness.ask({ type: 'subscribe', liveHz: 0, events: ['reading.stored'] });
    const flood = async (): Promise<void> => {
      const client = await run.connect();
      for (let i = 0; i < 3_000; i++) client.socket.send(JSON.stringify({ type: 'subscribe', id: `s${i}`, since: 0, samples: 'json' }));
    };
    await flood();
    for (let i = 0; i < 40; i++) {
      const { seq } = run.gateway.take().reading;
      await waitUntil(() => witness.seqs.at(-1) === seq, `reading ${seq}`);
      if (i % 4 === 0) void flood().catch(() => {});
    }
    expect(witness.closeCode).toBeNull();
    expect(run.server.counters().get('torsiond_server_closed_total{code="1008"}') ?? 0).toBeGreaterThan(0);
  });
});

describe('resuming', () => {
  it('joins the stream without a hole or a repeat while readings are stored all the time', async () => {
    run = await runServer();
    for (let i = 0; i < 500; i++) run.gateway.take();
    // Every page of the catch-up finds that more was stored and announced meanwhile.
    let more = 30;
    run.gateway.store.beforeAnswer = () => {
      for (let i = 0; i < 7 && more > 0; i++) run.gateway.take();
      more -= 1;
    };
    const clients = await Promise.all([0, 137, 499, 500].map(async (since) => {
      const client = await run.connect();
      await client.ask({ type: 'subscribe', liveHz: 0, since });
      return { since, client };
    }));
    await waitUntil(() => more <= 0 || clients.every(({ client }) => client.seqs.at(-1) === run.gateway.store.stored.length), 'the catch-ups');
    run.gateway.take();
    const last = run.gateway.store.stored.length;
    await waitUntil(() => clients.every(({ client }) => client.seqs.at(-1) === last), 'the last reading everywhere');
    for (const { since, client } of clients) expect(client.seqs).toEqual(upTo(last).slice(since));
  });

  it('from a number that the store has not reached is refused: it is another store', async () => {
    run = await runServer();
    run.gateway.take();
    const client = await run.connect();
    expect(await client.ask({ type: 'subscribe', since: 7 })).toMatchObject({ type: 'refused', code: 'SEQ_BEYOND' });
    expect(await client.ask({ type: 'subscribe', since: 1 })).toMatchObject({ type: 'ok' });
  });

  it('ends with 1011 when the store cannot be read, and says so in the log', async () => {
    const clock = new ManualClock();
    run = await runServer({}, { clock });
    run.gateway.take();
    run.gateway.store.beforeAnswer = () => { throw new Error('as the test says'); };
    const client = await run.connect();
    await client.ask({ type: 'subscribe', since: 0, liveHz: 0 });
    await waitUntil(() => (clock.advance(500), client.closeCode !== null), 'the end');
    expect(client.closeCode).toBe(1011);
    expect(run.logLines.some((line) => line.includes('cannot read stored readings'))).toBe(true);
  });
});
