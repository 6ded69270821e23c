import { createServer } from 'node:net';
import { Ajv2020 } from 'ajv/dist/2020.js';
import { afterEach, describe, expect, it } from 'vitest';
import { startServer } from '../../daemon/server/server.ts';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { ServerSettings } from '../../daemon/settings/schema.ts';
import { detectorNumbers } from '../../daemon/capture/defaults.ts';
import { CaptureSettings } from '../../shared/capture-settings.ts';
import { systemClock } from '../../shared/clock.ts';
import type { Trace } from '../../shared/trace.ts';
import { FakeGateway, instrument, reading, scanner } from '../helpers/fake-gateway.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';

let run: ServerUnderTest;
afterEach(() => run.stop());

const json = async (path: string): Promise<{ status: number; body: Record<string, unknown> }> => {
  const response = await run.get(path);
  return { status: response.status, body: (await response.json()) as Record<string, unknown> };
};

const TRACE: Trace = {
  id: 'trace-1', channel: 'bench-a/1', epoch: 2, firstIndex: 900, startWallMs: Date.UTC(2026, 10, 25, 8), spacingMs: 1, rateHz: 1_000,
  device: Float64Array.of(0, 100, 250.5), status: Uint8Array.of(0, 0, 1),
  evidence: {
    software: '0.0.0-test', captureVersion: 2, conditioning: { unit: 'cN.m', calibration: { kind: 'none' }, zero: 0.5, sign: -1 }, settings: CaptureSettings.parse({ mode: 'peak' }),
    detector: detectorNumbers(CaptureSettings.parse({ mode: 'peak' }), 60, 0),
    transducer: { serialNumber: 'HF-0001', capacity: 60, lowestTorque: null, calibrationDue: null, uncertainty: null },
    cycleAt: 1, takenBy: 'cycle', takenAt: null, gapBefore: false, restBefore: null, restAfter: null, isPulsed: false, simulated: true, timeEstimated: false,
  },
};

describe('readings over HTTP', () => {
  it('come in pages by sequence number', async () => {
    run = await runServer();
    for (let i = 0; i < 450; i++) run.gateway.store.add(reading(i + 1));
    const seqs: number[] = [];
    for (;;) {
      const { body } = await json(`/api/v1/readings?afterSeq=${seqs.at(-1) ?? 0}`);
      const page = body.readings as { reading: { seq: number }; storedAt: string; hash: string }[];
      expect(body.lastSeq).toBe(450);
      if (page.length === 0) break;
      expect(page.length).toBeLessThanOrEqual(200);
      seqs.push(...page.map((entry) => entry.reading.seq));
    }
    expect(seqs).toEqual(Array.from({ length: 450 }, (_, i) => i + 1));
  });

  it('can be asked for by channel, time, number and order', async () => {
    run = await runServer();
    for (let i = 0; i < 20; i++) run.gateway.store.add(reading(i + 1, { channel: i % 2 === 0 ? 'bench-a/1' : 'bench-a/2' }));
    const { body } = await json('/api/v1/readings?channel=bench-a%2F2&limit=3&order=newest&since=2026-11-25T09:00:05%2B01:00');
    expect((body.readings as { reading: { seq: number } }[]).map((entry) => entry.reading.seq)).toEqual([20, 18, 16]);
    expect(run.gateway.store.queries.at(-1)).toEqual({ channel: 'bench-a/2', limit: 3, order: 'newest', since: '2026-11-25T08:00:05.000Z' });
  });

  it.each(['limit=0', 'limit=1001', 'limit=x', 'limit=', 'limit=1e2', 'limit=5&limit=6', 'afterSeq=-1', 'afterSeq=1.5', 'order=sideways', 'since=yesterday', 'extra=1', 'channel=', '__proto__=1', 'afterSeq[]=1'])('refuse the query %s', async (query) => {
    run = await runServer();
    const { status, body } = await json(`/api/v1/readings?${query}`);
    expect(status).toBe(400);
    expect(body).toMatchObject({ code: 'MESSAGE_INVALID', hint: expect.stringContaining('openapi') as string });
    expect(run.gateway.store.queries).toEqual([]);
  });

  it('come alone by id, with their trace as torque and as sent', async () => {
    run = await runServer();
    await run.gateway.store.append(reading(1), TRACE);
    expect((await json('/api/v1/readings/reading-1')).body).toMatchObject({ reading: { id: 'reading-1', seq: 1 }, hash: expect.stringMatching(/^[0-9a-f]{64}$/) as string });
    const { body } = await json('/api/v1/readings/reading-1/trace');
    expect(body).toMatchObject({
      readingId: 'reading-1', traceId: 'trace-1', startAt: '2026-11-25T08:00:00.000Z', rateHz: 1_000, unit: 'N.m', deviceUnit: 'cN.m', device: [0, 100, 250.5], status: [0, 0, 1],
      evidence: { cycleAt: 1, conditioning: { zero: 0.5 } },
    });
    // cN.m to N.m, turned round, less the zero; worked out by hand.
    const torque = body.torque as number[];
    [-0.5, -1.5, -3.005].forEach((value, i) => expect(torque[i]).toBeCloseTo(value, 12));
    expect((await json('/api/v1/readings/reading-9')).status).toBe(404);
    expect((await json('/api/v1/readings/reading-9/trace')).body).toMatchObject({ code: 'READING_UNKNOWN', where: 'reading-9' });
    expect((await json('/api/v1/readings/..%2fx')).status).toBe(400);
  });
});

describe('a long trace', () => {
  it('comes whole, and the others need not wait for it', async () => {
    run = await runServer();
    const device = Float64Array.from({ length: 300_000 }, (_, i) => Math.sin(i / 777) * 5_000);
    await run.gateway.store.append(reading(1), { ...TRACE, device, status: null });
    const witness = await run.connect();
    await witness.ask({ type: 'ping' });
    let pings = 0;
    let isDone = false;
    const answer = json('/api/v1/readings/reading-1/trace').finally(() => (isDone = true));
    while (!isDone && pings < 60) {
      await witness.ask({ type: 'ping' });
      pings += 1;
    }
    // Written in one turn it would leave room for one or two.
    expect(pings).toBeGreaterThan(5);
    const { body } = await answer;
    expect(body).toMatchObject({ status: null, unit: 'N.m', deviceUnit: 'cN.m' });
    expect(Float64Array.from(body.device as number[])).toEqual(device);
    expect(body.torque).toHaveLength(device.length);
  });
});

describe('every address', () => {
  it('answers as its document says', async () => {
    run = await runServer();
    await run.gateway.store.append(reading(1), TRACE);
    run.gateway.scannerList = [scanner('gun-a'), scanner('pedal', { state: 'waiting', fault: { code: 'LINK_LOST', message: 'gone', where: null, hint: 'Check the cable.' } })];
    const document = (await json('/api/v1/openapi.json')).body as { components: object; paths: Record<string, { get: { responses: Record<string, { content?: Record<string, { schema: { $ref?: string } }> }> } }> };
    const ajv = new Ajv2020({ strict: false, validateFormats: false });
    ajv.addSchema({ $id: 'openapi', components: document.components });
    let checked = 0;
    for (const [path, { get }] of Object.entries(document.paths)) {
      const response = await run.get(path.replace('{id}', path.includes('instruments') ? 'bench-a' : 'reading-1'));
      expect(response.status, path).toBe(200);
      const schema = get.responses['200']!.content?.['application/json']?.schema.$ref;
      if (schema === undefined) {
        // A recording goes on until the client leaves.
        await response.body!.cancel();
        continue;
      }
      const validate = ajv.getSchema(`openapi${schema}`)!;
      expect(validate(await response.json()) ? 'fits' : ajv.errorsText(validate.errors), path).toBe('fits');
      checked += 1;
    }
    expect(checked).toBeGreaterThan(8);
  });

  it('that does not exist, or is used otherwise than by GET, is refused with a code', async () => {
    run = await runServer();
    expect(await json('/api/v1/nothing')).toMatchObject({ status: 404, body: { code: 'ROUTE_UNKNOWN' } });
    expect(await json('/api/v1/stream')).toMatchObject({ status: 404, body: { code: 'ROUTE_UNKNOWN', message: 'this address is for WebSocket clients' } });
    expect(await json('/api/v1/readings?since=2026-11-25')).toMatchObject({ status: 400, body: { message: expect.stringContaining('since: a moment such as 2026-11-25T08:00:00Z is needed') as string } });
    for (const method of ['POST', 'PUT', 'DELETE', 'PATCH']) {
      const response = await fetch(`${run.server.url}api/v1/readings`, { method, headers: { authorization: `Bearer ${run.token()}`, 'content-type': 'application/json' }, ...(method === 'DELETE' ? {} : { body: '{}' }) });
      expect([404, 405, 415], method).toContain(response.status);
      expect(await response.json(), method).toMatchObject({ code: expect.stringMatching(/^(ROUTE_UNKNOWN|MESSAGE_INVALID)$/) as string });
    }
  });

  it('tells nothing of the inside when it fails', async () => {
    run = await runServer();
    run.gateway.store.beforeAnswer = () => { throw new Error('secret /var/x'); };
    const { status, body } = await json('/api/v1/readings');
    expect(status).toBe(500);
    expect(JSON.stringify(body)).not.toContain('/var/x');
    expect(body).toMatchObject({ code: 'INTERNAL' });
  });
});

describe('health', () => {
  it('says ready only while the daemon does its job', async () => {
    let delayMs = 3;
    run = await runServer({}, { eventLoopDelayMs: () => delayMs });
    const check = async (): Promise<unknown> => (await json('/readyz'));
    expect(await check()).toMatchObject({ status: 200, body: { ready: true, checks: { store: { ok: true }, instruments: { ok: true, streaming: 1, total: 1 }, eventLoop: { ok: true, delayMs: 3 } } } });
    run.gateway.store.state = 'full';
    expect(await check()).toMatchObject({ status: 503, body: { ready: false, checks: { store: { ok: false, state: 'full' }, instruments: { ok: true } } } });
    run.gateway.store.state = 'ready';
    run.gateway.instrumentList = [instrument('bench-a', { state: 'absent' }), instrument('bench-b', { state: 'stalled' })];
    expect(await check()).toMatchObject({ status: 503, body: { ready: false, checks: { instruments: { ok: false, streaming: 0, total: 2 } } } });
    run.gateway.instrumentList = [instrument('bench-a', { state: 'absent' }), instrument('bench-b')];
    expect(await check()).toMatchObject({ status: 200 });
    delayMs = 400;
    expect(await check()).toMatchObject({ status: 503, body: { checks: { eventLoop: { ok: false, delayMs: 400 } } } });
    expect((await json('/healthz'))).toMatchObject({ status: 200, body: { status: 'alive' } });
  });

  it('measures the delay of the event loop itself', async () => {
    const { watchEventLoop } = await import('../../daemon/server/event-loop-delay.ts');
    run = await runServer();
    const watch = watchEventLoop(systemClock);
    const { waitUntil } = await import('../helpers/wait-until.ts');
    await waitUntil(() => {
      const end = performance.now() + 120;
      while (performance.now() < end);
      return watch.delayMs() > 50;
    }, 'the blocked loop to be seen');
    watch.stop();
  });

  it('gives the counters of the gateway and of the server as metrics', async () => {
    run = await runServer();
    await run.connect();
    const text = await (await run.get('/metrics')).text();
    expect(text).toContain('# TYPE torsiond_samples_total counter\ntorsiond_samples_total{channel="bench-a/1"} 12\n');
    expect(text).toContain('\ntorsiond_server_clients 1\n');
    expect(text).toContain('\ntorsiond_event_loop_delay_p99_ms 1\n');
    expect(text).toMatch(/\ntorsiond_server_samples_skipped_total 0\n/);
  });
});

describe('starting', () => {
  it('names the address when the port is taken', async () => {
    run = await runServer();
    const other = createServer().listen(0, '127.0.0.1');
    await new Promise((resolve) => other.once('listening', resolve));
    const { port } = other.address() as { port: number };
    await expect(runServer({ port })).rejects.toMatchObject({ code: 'SERVER_ADDRESS', where: `127.0.0.1:${port}` });
    other.close();
  });

  it('listens on this machine only unless told otherwise, and then asks for a token and warns', async () => {
    run = await runServer();
    expect(run.server.url).toBe(`http://127.0.0.1:${run.server.port}/`);
    const lines: string[] = [];
    const log = { debug: () => {}, info: () => {}, error: () => {}, warn: (fields: object, message: string) => void lines.push(`${JSON.stringify(fields)} ${message}`) };
    const start = (settings: object): Promise<Awaited<ReturnType<typeof startServer>>> =>
      startServer(new FakeGateway(), ServerSettings.parse({ port: 0, ...settings }), { clock: systemClock, tokens: openTokenStore(run.dataDirectory), pageDirectory: null, log });
    await expect(start({ host: '0.0.0.0' })).rejects.toMatchObject({ code: 'SETTINGS_INVALID', hint: expect.stringContaining('remote') as string });
    await expect(start({ host: '0.0.0.0', remote: true })).rejects.toMatchObject({ code: 'SETTINGS_INVALID', hint: expect.stringContaining('token create') as string });
    run.token();
    const remote = await start({ host: '0.0.0.0', remote: true });
    expect(lines.join()).toContain('other machines can reach');
    // Through another address of this machine the name still has to be allowed.
    expect((await fetch(`http://127.0.0.1:${remote.port}/healthz`)).status).toBe(200);
    await remote.close();
    for (const settings of [{ allowedHosts: ['https://x'] }, { allowedHosts: ['*'] }, { allowedOrigins: ['*'] }, { allowedOrigins: ['https://x/'] }, { allowedOrigins: ['null'] }]) {
      await expect(start(settings), JSON.stringify(settings)).rejects.toMatchObject({ code: 'SETTINGS_INVALID' });
    }
  });

  it('can be stopped twice and lets go of the port', async () => {
    run = await runServer();
    const { port } = run.server;
    const client = await run.connect();
    await Promise.all([run.server.close(), run.server.close()]);
    expect(await client.closed()).toBe(1001);
    const again = await runServer({ port });
    await again.stop();
  });
});
