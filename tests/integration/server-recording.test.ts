/** Clients that do not take a recording as fast as it comes. */
import { connect } from 'node:net';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import { RECORDING_QUEUE_BYTES, MAX_RECORDINGS } from '../../daemon/recording/recording-hub.ts';
import { readRecording } from '../../daemon/recording/recording-reader.ts';
import { RECORDING_STALL_MS, recordingStream } from '../../daemon/server/http/recording-stream.ts';
import { FakeGateway } from '../helpers/fake-gateway.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest | null = null;
afterEach(async () => {
  await run?.stop();
  run = null;
});

const CHUNK = new Uint8Array(65_536).fill(0x2e);
const counter = (gateway: FakeGateway, name: string): number => new Map(gateway.recordings.counters()).get(name)!;

describe('a client that does not read its recording', () => {
  it('is cut off and counted when too much waits for it, holds up nobody, and keeps what it got', async () => {
    run = await runServer();
    const { gateway, server } = run;
    const token = run.token();
    const slow = connect(server.port, '127.0.0.1');
    slow.pause();
    slow.write(`GET /api/v1/instruments/bench-a/recording HTTP/1.0\r\nHost: 127.0.0.1:${server.port}\r\nAuthorization: Bearer ${token}\r\n\r\n`);
    const quick = await fetch(`${server.url}api/v1/instruments/bench-a/recording`, { headers: { authorization: `Bearer ${token}` } });
    const received: Uint8Array[] = [];
    const reading = (async () => {
      for await (const bytes of quick.body!) received.push(bytes);
    })().catch(() => {});
    await waitUntil(() => counter(gateway, 'torsiond_recordings') === 2, 'both recordings');
    // As the instrument sends, whoever listens: nothing here waits for a client.
    let sent = 0;
    await waitUntil(() => {
      gateway.recordings.chunk('bench-a', { data: CHUNK, atMs: sent++ }, 1);
      return counter(gateway, 'torsiond_recordings_cut_total') === 1;
    }, 'the slow client to be cut off');
    expect(sent * CHUNK.length).toBeGreaterThan(RECORDING_QUEUE_BYTES);
    expect(counter(gateway, 'torsiond_recordings')).toBe(1);
    await waitUntil(() => received.reduce((sum, bytes) => sum + bytes.length, 0) > sent * CHUNK.length, 'the quick client to have everything');

    const got: Buffer[] = [];
    slow.on('data', (bytes) => got.push(bytes)).on('error', () => {}).resume();
    await new Promise((resolve) => slow.once('close', resolve));
    const answer = Buffer.concat(got);
    const path = join(tempFolder(), 'slow.mcap');
    writeFileSync(path, answer.subarray(answer.indexOf('\r\n\r\n') + 4));
    let chunks = 0;
    let cut: string | null = null;
    for await (const item of readRecording(path)) {
      if (item.kind === 'chunk') chunks++;
      if (item.kind === 'cut') cut = item.error.code;
    }
    expect(chunks).toBeGreaterThan(0);
    expect(chunks).toBeLessThan(sent);
    expect(cut).toBe('INPUT_CUT');
    await gateway.recordings.close();
    await reading;
  });

  it('is cut off when it takes nothing for long, however little waits', async () => {
    const clock = new ManualClock();
    const gateway = new FakeGateway(clock);
    const stream = await recordingStream({ gateway, clock, instrument: 'bench-a', stillHolds: () => true });
    // More than the way to the connection holds, far less than the queue.
    for (let i = 0; i < 8; i++) gateway.recordings.chunk('bench-a', { data: CHUNK, atMs: i }, 1);
    await new Promise((resolve) => setImmediate(resolve));
    clock.advance(RECORDING_STALL_MS - 1);
    expect(stream.destroyed).toBe(false);
    clock.advance(1);
    await waitUntil(() => counter(gateway, 'torsiond_recordings_cut_total') === 1, 'the cut');
    expect(stream.destroyed).toBe(true);
    expect(counter(gateway, 'torsiond_recordings')).toBe(0);
    expect(clock.pendingTimers).toBe(0);
  });

  it('does not keep the gateway from stopping', async () => {
    const clock = new ManualClock();
    const gateway = new FakeGateway(clock);
    const stream = await recordingStream({ gateway, clock, instrument: 'bench-a', stillHolds: () => true });
    for (let i = 0; i < 8; i++) gateway.recordings.chunk('bench-a', { data: CHUNK, atMs: i }, 1);
    const closed = gateway.recordings.close();
    clock.advance(1_000);
    await closed;
    expect(stream.destroyed).toBe(true);
    await expect(gateway.record('bench-a', { write: async () => {}, end: async () => {}, abandon: () => {} })).rejects.toMatchObject({ code: 'CHANNEL_NOT_READY' });
  });
});

it('more recordings than allowed at a time are refused, and room is free again when one ends', async () => {
  run = await runServer();
  const { server } = run;
  const leave = Array.from({ length: MAX_RECORDINGS }, () => new AbortController());
  const ask = (signal: AbortSignal | null): Promise<Response> => fetch(`${server.url}api/v1/instruments/bench-a/recording`, { headers: { authorization: `Bearer ${run!.token()}` }, signal });
  const answers = await Promise.all(leave.map(({ signal }) => ask(signal)));
  expect(answers.map((answer) => answer.status)).toEqual(leave.map(() => 200));
  const refused = await ask(null);
  expect([refused.status, await refused.json()]).toEqual([429, expect.objectContaining({ code: 'LIMIT_REACHED' })]);
  leave[0]!.abort();
  await waitUntil(() => counter(run!.gateway, 'torsiond_recordings') === MAX_RECORDINGS - 1, 'one to be over');
  const last = new AbortController();
  expect((await ask(last.signal)).status).toBe(200);
  for (const controller of [...leave, last]) controller.abort();
  await waitUntil(() => counter(run!.gateway, 'torsiond_recordings') === 0, 'all to be over');
});
