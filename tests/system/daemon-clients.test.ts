/** Clients that stop reading or flood the real daemon while it takes readings: nobody else loses anything, memory stays bounded, nothing is missed. What delay they cause is measured in the bench. */
import { WebSocket } from 'ws';
import { describe, expect, it, onTestFinished } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { connect, type ClientEvents } from '../../shared/client/index.ts';
import { daemonProcess } from '../helpers/daemon-process.ts';
import { pulseDevice } from '../helpers/pulse-device.ts';
import { TestClient } from '../helpers/run-server.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const READINGS = 1_000;
const FLOODS = 5;
const MEMORY_BOUND = 60e6;

const upTo = (last: number): number[] => Array.from({ length: last }, (_, i) => i + 1);

describe('while readings are taken', () => {
  it('stopped and flooding clients disturb nobody; the stopped ones receive every reading they missed, in order', async () => {
    const data = tempFolder();
    const device = await pulseDevice('bench-a', 2);
    onTestFinished(() => device.close());
    const { token } = openTokenStore(data).create('operate', 'test');
    const daemon = daemonProcess(data);
    const port = await daemon.start({ server: { port: 0 }, instruments: [device.instrument] });

    const witness = connect({ url: `http://127.0.0.1:${port}`, token, since: 0, liveHz: 10 });
    onTestFinished(() => witness.close());
    const stored: ClientEvents['reading.stored'][] = [];
    const disturbed: string[] = [];
    witness.on('reading.stored', (event) => stored.push(event));
    witness.on('disconnected', ({ error }) => disturbed.push(error.toLine()));
    await witness.connected();
    await waitUntil(() => stored.length > 100, 'readings to come');

    const open = async (): Promise<TestClient> => {
      const client = new TestClient(new WebSocket(`ws://127.0.0.1:${port}/api/v1/stream`, ['torsiond.v1'], { perMessageDeflate: false, headers: { authorization: `Bearer ${token}` } }));
      onTestFinished(() => client.socket.terminate());
      await client.opened;
      return client;
    };
    // Samples are skipped for a client that does not read and readings wait for it in the store; one that asked for every
    // event, of which none is kept, is closed when too many wait.
    const readsOn = await open();
    await readsOn.ask({ type: 'subscribe', since: 0, liveHz: 50, samples: 'binary64', events: ['reading.stored'] });
    const comesBack = await open();
    await comesBack.ask({ type: 'subscribe', since: 0, liveHz: 50, samples: 'json' });
    for (const client of [readsOn, comesBack]) client.socket.pause();
    let floods = 0;
    let isFlooding = true;
    const flooding = (async () => {
      while (isFlooding) {
        const client = await open();
        for (let i = 0; i < 500 && client.socket.readyState === WebSocket.OPEN; i++) {
          client.socket.send(JSON.stringify({ type: 'arm', id: String(i), channel: 'bench-a/1' }));
          client.socket.send('not even JSON');
        }
        await client.closed();
        expect(client.closeCode).toBe(1008);
        floods++;
      }
    })();

    const since = { reading: stored.length, memory: daemon.residentBytes() };
    await waitUntil(() => stored.length >= since.reading + READINGS && floods > FLOODS, 'a thousand readings beside some floods');
    isFlooding = false;
    await flooding;
    expect(daemon.residentBytes() - since.memory).toBeLessThan(MEMORY_BOUND);
    expect(disturbed).toEqual([]);
    expect(stored.map(({ seq }) => seq)).toEqual(upTo(stored.length));

    const target = stored.length;
    for (const client of [readsOn, comesBack]) client.socket.resume();
    // It was told 1013; a client that still does not read is cut some seconds later and sees 1006.
    expect([1013, 1006]).toContain(await comesBack.closed());
    const back = await open();
    await back.ask({ type: 'subscribe', since: comesBack.seqs.at(-1) ?? 0, liveHz: 0 });
    for (const seqs of [(): number[] => readsOn.seqs, (): number[] => [...comesBack.seqs, ...back.seqs]]) {
      await waitUntil(() => (seqs().at(-1) ?? 0) >= target, 'what was missed');
      expect(seqs()).toEqual(upTo(seqs().length));
    }
    await waitUntil(() => readsOn.of('samples.skipped').length > 0, 'to be told of skipped samples');
    expect(await daemon.stop()).toBe(0);
  });
});
