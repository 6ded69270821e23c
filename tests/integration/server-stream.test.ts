import { afterEach, describe, expect, it } from 'vitest';
import { FakeGateway, instrument, reading, scanner } from '../helpers/fake-gateway.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

let run: ServerUnderTest;
afterEach(() => run.stop());

describe('the stream', () => {
  it('greets first, then gives what was subscribed', async () => {
    run = await runServer();
    const client = await run.connect();
    const hello = await client.hello();
    expect(client.messages[0]).toBe(hello);
    expect(hello).toMatchObject({ protocol: 'torsiond.v1', lastSeq: 0, scope: 'read', station: run.gateway.station });
    expect(hello.channels.map((info) => info.id)).toEqual(['bench-a/1', 'bench-a/2']);

    run.gateway.take();
    expect(await client.ask({ type: 'subscribe' })).toMatchObject({ type: 'ok', result: { lastSeq: 1, liveHz: 10 } });
    run.gateway.take();
    run.gateway.events$.next({ type: 'instrument.state', at: new Date(0).toISOString(), instrument: instrument('bench-a', { state: 'stalled' }) });
    await waitUntil(() => client.of('instrument.state').length === 1, 'the state');
    expect(client.seqs).toEqual([2]);

    await client.ask({ type: 'unsubscribe' });
    run.gateway.take();
    await client.ask({ type: 'ping' });
    expect(client.seqs).toEqual([2]);
  });

  it('tells of the states that changed between the greeting and the subscription, the latest of each', async () => {
    run = await runServer();
    const client = await run.connect();
    await client.hello();
    const say = (state: 'settling' | 'streaming'): void => run.gateway.events$.next({ type: 'instrument.state', at: new Date(0).toISOString(), instrument: instrument('bench-a', { state }) });
    say('settling');
    say('streaming');
    await client.ask({ type: 'ping' });
    expect(client.of('instrument.state')).toEqual([]);
    await client.ask({ type: 'subscribe', liveHz: 0 });
    await waitUntil(() => client.of('instrument.state').length > 0, 'the state');
    await client.ask({ type: 'subscribe', liveHz: 0 });
    expect(client.of('instrument.state').map((event) => event.instrument.state)).toEqual(['streaming']);
  });

  it('knows the readings that were stored before it started', async () => {
    const gateway = new FakeGateway();
    for (let n = 1; n <= 3; n++) gateway.store.add(reading(n));
    run = await runServer({}, { gateway });
    const client = await run.connect();
    expect(await client.hello()).toMatchObject({ lastSeq: 3 });
    await client.ask({ type: 'subscribe', since: 1 });
    await waitUntil(() => client.seqs.length === 2, 'the two missed');
    expect(client.seqs).toEqual([2, 3]);
  });

  it('marks the first frame of a client that joins a running stream, and that client only', async () => {
    run = await runServer();
    const first = await run.connect();
    await first.ask({ type: 'subscribe', samples: 'binary', liveHz: 0 });
    run.gateway.sample(new Float64Array(5));
    await waitUntil(() => first.frames.length === 1, 'the first frame');
    const second = await run.connect();
    await second.ask({ type: 'subscribe', samples: 'binary', liveHz: 0 });
    run.gateway.sample(new Float64Array(5));
    await waitUntil(() => first.frames.length === 2 && second.frames.length === 1, 'the second frame');
    expect([...first.frames, ...second.frames].map((frame) => frame.broken)).toEqual([true, false, true]);
  });

  it('gives only the channels and kinds that were asked for', async () => {
    run = await runServer();
    const client = await run.connect();
    await client.ask({ type: 'subscribe', channels: ['bench-a/2'], events: ['reading.stored', 'scan.seen'], since: 0 });
    run.gateway.take({ channel: 'bench-a/1' });
    run.gateway.take({ channel: 'bench-a/2' });
    run.gateway.events$.next({ type: 'cycle.started', at: new Date(0).toISOString(), channel: 'bench-a/2', epoch: 1, direction: 'cw' });
    run.gateway.events$.next({ type: 'scan.seen', at: new Date(0).toISOString(), code: 'W-17', source: 'reader' });
    await waitUntil(() => client.of('scan.seen').length === 1, 'the scan');
    expect(client.seqs).toEqual([2]);
    expect(client.of('cycle.started')).toEqual([]);
  });

  it('tells of scanners in the greeting and when one is lost, to those too who asked for some channels only', async () => {
    const gateway = new FakeGateway();
    gateway.scannerList = [scanner('gun-a'), scanner('pedal', { state: 'stopped' })];
    run = await runServer({}, { gateway });
    const client = await run.connect();
    expect((await client.hello()).scanners).toEqual(gateway.scannerList);
    await client.ask({ type: 'subscribe', channels: ['bench-a/2'], liveHz: 0 });
    const lost = scanner('gun-a', { state: 'waiting', fault: { code: 'LINK_LOST', message: 'gone', where: '/dev/made-up', hint: 'Check the cable.' } });
    gateway.events$.next({ type: 'scanner.state', at: new Date(0).toISOString(), scanner: lost });
    await waitUntil(() => client.of('scanner.state').length === 1, 'the loss');
    expect(client.of('scanner.state')[0]!.scanner).toEqual(lost);
  });

  it('answers each command by its id, and passes it on', async () => {
    run = await runServer();
    run.gateway.onCommand = async (command) => (command.type === 'zero' ? { offset: 0.25 } : undefined);
    const client = await run.connect({ scope: 'configure' });
    expect(await client.ask({ type: 'zero', channel: 'bench-a/1' })).toMatchObject({ type: 'ok', result: { offset: 0.25 } });
    expect(await client.ask({ type: 'arm', channel: 'bench-a/1' })).toMatchObject({ type: 'ok' });
    expect(await client.ask({ type: 'configure', channel: 'bench-a/1', mode: 'first-peak' })).toMatchObject({ type: 'ok' });
    expect(await client.ask({ type: 'arm', channel: 'nowhere/1' })).toMatchObject({ type: 'refused', code: 'CHANNEL_UNKNOWN' });
    expect(await client.ask({ type: 'scan', code: 'W-17' })).toMatchObject({ type: 'ok' });
    expect(run.gateway.commands.map((command) => command.type)).toEqual(['zero', 'arm', 'configure']);
    expect(run.gateway.scans).toEqual([{ code: 'W-17', source: 'client:test configure' }]);
  });

  it('tells nothing of the inside when a command fails unexpectedly', async () => {
    run = await runServer();
    run.gateway.onCommand = async () => { throw new Error('secret path /var/x'); };
    const client = await run.connect({ scope: 'operate' });
    const answer = await client.ask({ type: 'zero', channel: 'bench-a/1' });
    expect(answer).toMatchObject({ type: 'refused', code: 'INTERNAL' });
    expect(JSON.stringify(answer)).not.toContain('/var/x');
    expect(run.logLines.some((line) => line.includes('a command failed unexpectedly'))).toBe(true);
  });

  it('refuses channels that do not exist and names those that do', async () => {
    run = await runServer();
    const client = await run.connect();
    const answer = await client.ask({ type: 'subscribe', channels: ['bench-z/1'] });
    expect(answer).toMatchObject({ type: 'refused', code: 'CHANNEL_UNKNOWN' });
    expect(answer).toHaveProperty('message', expect.stringContaining('bench-a/1, bench-a/2'));
  });

  it('gives live values at the rate that was asked for, in the unit of the channel, without hiding a peak', async () => {
    run = await runServer();
    const client = await run.connect();
    await client.ask({ type: 'subscribe', liveHz: 50 });
    const torque = new Float64Array(400).fill(1);
    torque[217] = 57.5;
    torque[218] = -3;
    run.gateway.sample(torque);
    await waitUntil(() => client.of('channel.live').length > 0, 'live values');
    const [live] = client.of('channel.live');
    expect(live).toMatchObject({ channel: 'bench-a/1', unit: 'N.m', value: 1 });
    const pairs = client.of('channel.live').flatMap((message) => message.minMax);
    expect(Math.max(...pairs)).toBe(57.5);
    expect(Math.min(...pairs)).toBe(-3);
  });

  for (const format of ['binary', 'binary64', 'json'] as const) {
    it(`gives samples as ${format}, joined, whole and in order`, async () => {
      run = await runServer();
      const client = await run.connect();
      await client.ask({ type: 'subscribe', samples: format, liveHz: 0 });
      const sent: number[] = [];
      for (let block = 0; block < 40; block++) {
        const torque = Float64Array.from({ length: 25 }, (_, i) => block + i / 32);
        sent.push(...torque);
        run.gateway.sample(torque);
        if (block === 20) await client.ask({ type: 'ping' });
      }
      const received = (): number[] => (format === 'json' ? client.of('samples').flatMap((message) => message.torque) : client.frames.flatMap((frame) => [...frame.samples]));
      await waitUntil(() => received().length === sent.length, 'all samples');
      expect(received()).toEqual(sent);
      const packets = format === 'json' ? client.of('samples') : client.frames;
      expect(packets.length).toBeLessThan(10);
      expect(packets.map((packet) => packet.broken)).toEqual(packets.map((_, i) => i === 0));
      expect(packets[0]).toMatchObject({ epoch: 1, firstIndex: 0, spacingMs: 1 });
    });
  }

  it('marks the frame after a gap', async () => {
    run = await runServer();
    const client = await run.connect();
    await client.ask({ type: 'subscribe', samples: 'binary64', channels: ['bench-a/1'] });
    run.gateway.sample(new Float64Array(5));
    run.gateway.sample(new Float64Array(5), { firstIndex: 40, gap: 'lost-samples' });
    run.gateway.sample(new Float64Array(5), { firstIndex: 0, epoch: 2, gap: 'connected' });
    await waitUntil(() => client.frames.length === 3, 'three frames');
    expect(client.frames.map(({ epoch, firstIndex, broken }) => ({ epoch, firstIndex, broken }))).toEqual([
      { epoch: 1, firstIndex: 0, broken: true }, { epoch: 1, firstIndex: 40, broken: true }, { epoch: 2, firstIndex: 0, broken: true },
    ]);
  });

  it('says goodbye when it stops', async () => {
    run = await runServer();
    const client = await run.connect();
    await client.ask({ type: 'ping' });
    await run.server.close();
    expect(await client.closed()).toBe(1001);
  });
});
