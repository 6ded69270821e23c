import { describe, it } from 'vitest';
import { WebSocket } from 'ws';
import { describeClauses, eventually, linkClauses, type LinkHarness } from '../../drivers/conformance/index.ts';
import type { ByteLink, OpenLink } from '../../drivers/links/link.ts';
import { forwardPort, type PortForwarder } from '../../shared/client/index.ts';
import { systemClock } from '../../shared/clock.ts';
import { openWebSerialPort, type WebSerialSimulatedPort } from '../../simulator/ports/web-serial-port.ts';
import { INSTRUMENT, memorySockets, portsBench } from '../helpers/page-port-bench.ts';
import { FakeGateway } from '../helpers/fake-gateway.ts';
import { runServer } from '../helpers/run-server.ts';

interface Way {
  readonly open: OpenLink;
  readonly isOffered: () => boolean;
  readonly forwarder: (port: WebSerialSimulatedPort) => PortForwarder;
  readonly end: () => Promise<void>;
}

function harness(name: string, begin: () => Promise<Way>): LinkHarness {
  let way: Way | null = null;
  let forwarder: PortForwarder | null = null;
  const links: ByteLink[] = [];
  const connect = async (signal = new AbortController().signal): Promise<ByteLink> => {
    const link = await way!.open({ clock: systemClock, signal });
    links.push(link);
    return link;
  };
  return {
    name, supports: { exclusive: true, writes: true },
    open: async (signal) => {
      way = await begin();
      const port = openWebSerialPort({ usbVendorId: 0x1209, usbProductId: 0x0001 });
      const received: Uint8Array[] = [];
      port.onData((bytes) => received.push(bytes));
      forwarder = way.forwarder(port);
      await eventually(way.isOffered, 'the page to offer its port');
      return { link: await connect(signal), far: {
        send: async (data) => {
          port.write(data);
          await eventually(() => port.backlogBytes === 0, 'the page to read the bytes');
        },
        received: () => Buffer.concat(received),
        unplug: () => port.unplug(),
      } };
    },
    openAgain: connect,
    openAbsent: async (signal = new AbortController().signal) => {
      way = await begin();
      return way.open({ clock: systemClock, signal });
    },
    cleanUp: async () => {
      await Promise.all(links.splice(0).map((link) => link.close()));
      await forwarder?.close();
      forwarder = null;
      await way?.end();
      way = null;
    },
  };
}

describe('the link to a page\'s port, through memory', () => {
  describeClauses('its promises', linkClauses(harness('browser, in memory', async () => {
    const { ports, open } = portsBench(systemClock);
    const sockets = memorySockets(ports, systemClock);
    return {
      open, isOffered: () => ports.stamp(INSTRUMENT) !== null, end: async () => {},
      forwarder: ({ port }) => forwardPort({ url: 'http://127.0.0.1', instrument: INSTRUMENT, port, WebSocket: sockets.WebSocket }),
    };
  })), { describe, it });
});

describe('the link to a page\'s port, through the gateway\'s own server', () => {
  describeClauses('its promises', linkClauses(harness('browser, WebSocket', async () => {
    const { ports, open } = portsBench(systemClock);
    const gateway = new FakeGateway();
    gateway.ports = ports;
    const served = await runServer({}, { gateway });
    return {
      open, isOffered: () => ports.stamp(INSTRUMENT) !== null,
      end: () => served.stop(),
      forwarder: ({ port }) => forwardPort({
        url: served.server.url, token: served.token('operate'), instrument: INSTRUMENT, port, WebSocket: WebSocket,
      }),
    };
  })), { describe, it });
});
