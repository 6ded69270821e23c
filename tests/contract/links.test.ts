import { createServer, type AddressInfo, type Server, type Socket } from 'node:net';
import { afterAll, describe, it } from 'vitest';
import type { ByteLink } from '../../drivers/links/link.ts';
import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import { openSerialLink } from '../../drivers/links/serial-link.ts';
import { openTcpLink } from '../../drivers/links/tcp-link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { openPtyPort, type PtyPort } from '../../simulator/ports/pty-port.ts';
import { systemClock } from '../../shared/clock.ts';
import { describeClauses, eventually, linkClauses, type LinkFarEnd, type LinkHarness } from '../../drivers/conformance/index.ts';
import { serialOptions } from '../helpers/serial-options.ts';

const context = (signal = new AbortController().signal): { clock: typeof systemClock; signal: AbortSignal } => ({ clock: systemClock, signal });

describe('the memory link', () => {
  const open = (signal?: AbortSignal): { link: ByteLink; far: LinkFarEnd } => {
    if (signal?.aborted) throw new TorsiondError('LINK_CLOSED', 'opening was given up');
    const { link, far } = createMemoryLink(systemClock);
    return { link, far: {
      send: async (data) => void far.deliver(data),
      received: () => Buffer.concat(far.written),
      unplug: async () => far.unplug(),
    } };
  };
  describeClauses('its promises', linkClauses({
    name: 'memory', supports: { exclusive: false, writes: true }, openAbsent: null,
    open: async (signal) => open(signal), openAgain: async (signal) => open(signal).link, cleanUp: async () => {},
  }), { describe, it });
});

describe('the TCP link', () => {
  let server: Server | null = null;
  let port = 0;
  const sockets: Socket[] = [];
  const links: ByteLink[] = [];
  const received: Buffer[] = [];

  const connect = async (signal?: AbortSignal): Promise<ByteLink> => {
    const link = await openTcpLink({ host: '127.0.0.1', port }, context(signal));
    links.push(link);
    return link;
  };
  const harness: LinkHarness = {
    name: 'TCP', supports: { exclusive: false, writes: true },
    open: async (signal) => {
      const listening = createServer((socket) => {
        sockets.push(socket);
        socket.on('error', () => {});
        socket.on('data', (data) => received.push(data));
      });
      server = listening;
      await new Promise<void>((resolve) => listening.listen(0, '127.0.0.1', resolve));
      port = (listening.address() as AddressInfo).port;
      const link = await connect(signal);
      await eventually(() => sockets.length > 0, 'the connection at the server');
      return { link, far: {
        send: (data) => new Promise((resolve, reject) => sockets[0]!.write(data, (error) => (error ? reject(error) : resolve()))),
        received: () => Buffer.concat(received),
        unplug: async () => void sockets[0]!.destroy(),
      } };
    },
    openAgain: connect,
    openAbsent: (signal) => openTcpLink({ host: '127.0.0.1', port: 1 }, context(signal)),
    cleanUp: async () => {
      await Promise.all(links.splice(0).map((link) => link.close()));
      for (const socket of sockets.splice(0)) socket.destroy();
      received.length = 0;
      if (server) await new Promise((resolve) => server!.close(resolve));
      server = null;
    },
  };
  describeClauses('its promises', linkClauses(harness), { describe, it });
});

describe('the serial link on a pseudo terminal', () => {
  let port: PtyPort | null = null;
  const received: Buffer[] = [];
  const links: ByteLink[] = [];
  const connect = async (signal?: AbortSignal): Promise<ByteLink> => {
    const link = await openSerialLink(serialOptions(port!.address.path), context(signal));
    links.push(link);
    return link;
  };
  afterAll(() => port?.close());
  describeClauses('its promises', linkClauses({
    name: 'serial', supports: { exclusive: true, writes: true },
    open: async (signal) => {
      port ??= await openPtyPort();
      if (!port.isPluggedIn) await port.replug();
      const at = port;
      received.length = 0;
      let isListening = true;
      at.onData((data) => isListening && received.push(Buffer.from(data)));
      const link = await connect(signal);
      // The port hears nobody until it has noticed that it is open; its answer to a byte shows that it has.
      const before = at.counters.receivedBytes;
      await link.write(Uint8Array.of(0x3f));
      await eventually(() => at.counters.receivedBytes > before, 'the port to notice that it is open');
      received.length = 0;
      void link.ended.then(() => {
        isListening = false;
      });
      return { link, far: {
        send: async (data) => {
          at.write(data.slice());
          await eventually(() => at.backlogBytes === 0, 'the port to take the bytes');
        },
        received: () => Buffer.concat(received),
        unplug: () => at.unplug(),
      } };
    },
    openAgain: connect,
    openAbsent: (signal) => openSerialLink(serialOptions('/dev/torsiond-no-such-port'), context(signal)),
    cleanUp: async () => {
      await Promise.all(links.splice(0).map((link) => link.close()));
    },
  }), { describe, it });
});
