/** The page's side of a port, against the gateway's side, on a clock that stands still. */
import { describe, expect, it, onTestFinished } from 'vitest';
import type { ByteChunk, ByteLink } from '../../../drivers/links/link.ts';
import { forwardPort, type PortForwarder } from '../../../shared/client/index.ts';
import { openWebSerialPort, type WebSerialSimulatedPort } from '../../../simulator/index.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { INSTRUMENT, memorySockets, portsBench, type MemorySockets } from '../../helpers/page-port-bench.ts';
import { seeded } from '../../helpers/seeded.ts';

interface Bench {
  readonly clock: ManualClock;
  readonly device: WebSerialSimulatedPort;
  readonly forwarder: PortForwarder;
  readonly sockets: MemorySockets;
  /** Time passes, millisecond by millisecond, and promises run. */
  pass(ms: number): Promise<void>;
  isOffered(): boolean;
  open(): Promise<{ link: ByteLink; chunks: ByteChunk[] }>;
}

async function bench(): Promise<Bench> {
  const clock = new ManualClock();
  const { ports, open } = portsBench(clock);
  const sockets = memorySockets(ports, clock);
  const device = openWebSerialPort({ usbVendorId: 0x1209, usbProductId: 1 });
  const forwarder = forwardPort({ url: 'http://127.0.0.1', instrument: INSTRUMENT, port: device.port, WebSocket: sockets.WebSocket, clock, random: seeded(4) });
  const pass = async (ms: number): Promise<void> => {
    for (let i = 0; i < ms; i++) {
      clock.advance(1);
      await new Promise((resolve) => setImmediate(resolve));
    }
  };
  onTestFinished(() => void forwarder.close());
  await pass(10);
  return {
    clock, device, forwarder, sockets, pass,
    isOffered: () => ports.stamp(INSTRUMENT) !== null,
    open: async () => {
      const opening = open({ clock, signal: new AbortController().signal });
      opening.catch(() => {});
      await pass(10);
      const link = await opening;
      const chunks: ByteChunk[] = [];
      link.listen((chunk) => chunks.push(chunk));
      return { link, chunks };
    },
  };
}

const size = (chunks: readonly ByteChunk[]): number => chunks.reduce((sum, { data }) => sum + data.length, 0);

describe('a page\'s port forwarder', () => {
  it('opens the port only when the gateway asks, and closes it when it asks', async () => {
    const at = await bench();
    expect([at.forwarder.state.kind, at.device.port.isOpen, at.isOffered()]).toEqual(['offered', false, true]);
    const { link } = await at.open();
    expect([at.forwarder.state.kind, at.device.port.isOpen]).toEqual(['open', true]);
    const closing = link.close();
    await at.pass(10);
    await closing;
    expect([at.forwarder.state.kind, at.device.port.isOpen, at.isOffered()]).toEqual(['offered', false, true]);
  });

  it('after a broken connection lets the port go and comes back by itself', async () => {
    const at = await bench();
    const { link } = await at.open();
    at.sockets.cut();
    await at.pass(5);
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST' } });
    expect([at.forwarder.state.kind, at.device.port.isOpen]).toEqual(['connecting', false]);
    await at.pass(260);
    expect([at.forwarder.state.kind, at.isOffered(), at.forwarder.counters.connections]).toEqual(['offered', true, 2]);
    const again = await at.open();
    at.device.write(Uint8Array.of(1, 2, 3));
    await at.pass(3);
    expect(size(again.chunks)).toBe(3);
  });

  it('a way that dies without a word is noticed at both ends within seconds', async () => {
    const at = await bench();
    const { link } = await at.open();
    at.sockets.freeze();
    await at.pass(6_200);
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST', message: 'the page with the port is gone: it has not answered for 5 s' } });
    expect(at.forwarder.state).toMatchObject({ kind: 'connecting', why: 'the gateway has been silent for 6 s' });
    expect(at.device.port.isOpen).toBe(false);
  });

  it('gives the gateway the times of the reads, however unevenly the network carries them', async () => {
    const at = await bench();
    const { chunks } = await at.open();
    await at.pass(400);
    const random = seeded(9);
    at.sockets.latencyMs = () => random() * 80;
    const writtenMs: number[] = [];
    for (let i = 0; i < 100; i++) {
      writtenMs.push(at.clock.monoMs());
      at.device.write(Uint8Array.of(i));
      await at.pass(7);
    }
    at.sockets.latencyMs = () => 0;
    await at.pass(200);
    expect(chunks.map(({ data }) => data[0])).toEqual(Array.from({ length: 100 }, (_, i) => i));
    chunks.forEach(({ atMs }, i) => expect(Math.abs(atMs - writtenMs[i]!), `read ${i}`).toBeLessThanOrEqual(1));
  });

  it('stops reading while the gateway takes nothing, so that memory stays bounded, and the port says what was lost', async () => {
    const at = await bench();
    const { link, chunks } = await at.open();
    link.pause!();
    const block = new Uint8Array(16 * 1024);
    for (let i = 0; i < 60; i++) {
      at.device.write(block);
      await at.pass(2);
    }
    const onTheWay = at.sockets.sent.reduce((sum, message) => sum + (typeof message === 'string' ? 0 : message.length), 0);
    expect(onTheWay).toBeLessThan(256 * 1024 + 2 * 64 * 1024);
    expect(at.device.backlogBytes).toBeLessThanOrEqual(64 * 1024);
    expect(at.device.counters.overrunBytes).toBeGreaterThan(0);
    link.resume!();
    await at.pass(50);
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_CUT' } });
    // Everything before the cut came.
    expect(size(chunks)).toBeGreaterThanOrEqual(256 * 1024);
    expect(at.forwarder.counters.cuts).toBe(1);
  });

  it('a device that takes no bytes ends the link, and the port can be opened again', async () => {
    const at = await bench();
    const { link } = await at.open();
    at.device.beDeaf(true);
    const write = link.write(Uint8Array.of(1)).catch((error: { code: string }) => error.code);
    await at.pass(2_100);
    expect(await write).toBe('LINK_WRITE_TIMEOUT');
    at.device.beDeaf(false);
    await at.pass(50);
    const again = await at.open();
    const received: number[] = [];
    at.device.onData((bytes) => received.push(...bytes));
    const second = again.link.write(Uint8Array.of(7, 8));
    await at.pass(5);
    await second;
    expect(received).toEqual([7, 8]);
  });

  it('a port that another program holds is told with the browser\'s words', async () => {
    const at = await bench();
    await at.device.port.open({ baudRate: 9_600 });
    await expect(at.open()).rejects.toMatchObject({ code: 'LINK_OPEN_FAILED', message: expect.stringContaining('already open') as string });
    await at.device.port.close();
    await at.open();
  });

  it('what is no message of a gateway ends the connection, not the forwarder', async () => {
    const clock = new ManualClock();
    const device = openWebSerialPort();
    const listeners = new Map<string, (event: never) => void>();
    let isClosed = false;
    class Strange {
      binaryType = '';
      addEventListener(type: string, listener: (event: never) => void): void {
        listeners.set(type, listener);
      }

      send(): void {}

      close(): void {
        isClosed = true;
      }
    }
    const forwarder = forwardPort({ url: 'http://127.0.0.1', instrument: INSTRUMENT, port: device.port, WebSocket: Strange, clock, random: () => 0 });
    listeners.get('message')!({ data: 'not JSON' } as never);
    expect([forwarder.state.kind, isClosed]).toEqual(['connecting', true]);
    await forwarder.close();
  });
});
