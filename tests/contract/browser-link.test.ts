import { describe, it } from 'vitest';
import { WebSocket } from 'ws';
import { describeClauses, eventually, linkClauses, type LinkHarness } from '../../drivers/conformance/index.ts';
import type { ByteLink, OpenLink } from '../../drivers/links/link.ts';
import { forwardPort, type PortForwarder, type PortGiven } from '../../shared/client/index.ts';
import { systemClock } from '../../shared/clock.ts';
import { browserInstrument, INSTRUMENT, memorySockets, portsBench, WEB_SERIAL, webUsb, type PageThing } from '../helpers/page-port-bench.ts';
import { FakeGateway } from '../helpers/fake-gateway.ts';
import { runServer } from '../helpers/run-server.ts';

const THINGS: readonly PageThing[] = [
  WEB_SERIAL,
  webUsb('USB, bulk, packets of 64 bytes'),
  webUsb('USB, interrupt, packets of 8 bytes with a header of 2, ended by empty ones', { packetHeaderBytes: 2 },
    { type: 'interrupt', packetSize: 8, packetHeader: Uint8Array.of(1, 0x60), endsWithEmptyPacket: true }),
];

interface Way {
  readonly open: OpenLink;
  readonly isOffered: () => boolean;
  readonly forwarder: (given: PortGiven) => PortForwarder;
  readonly end: () => Promise<void>;
}

function harness(thing: PageThing, begin: () => Promise<Way>): LinkHarness {
  let way: Way | null = null;
  let forwarder: PortForwarder | null = null;
  const links: ByteLink[] = [];
  const connect = async (signal = new AbortController().signal): Promise<ByteLink> => {
    const link = await way!.open({ clock: systemClock, signal });
    links.push(link);
    return link;
  };
  return {
    name: thing.name, supports: { exclusive: true, writes: true },
    open: async (signal) => {
      way = await begin();
      const { port, given, isRead } = thing.plugIn();
      const received: Uint8Array[] = [];
      port.onData((bytes) => received.push(bytes));
      forwarder = way.forwarder(given());
      await eventually(way.isOffered, 'the page to offer it');
      return { link: await connect(signal), far: {
        send: async (data) => {
          port.write(data.slice());
          await eventually(isRead, 'the page to read the bytes');
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

describe.each(THINGS)('the link to what a page has, through memory: $name', (thing) => {
  describeClauses('its promises', linkClauses(harness(thing, async () => {
    const { ports, open } = portsBench(systemClock, browserInstrument(thing.link));
    const sockets = memorySockets(ports, systemClock);
    return {
      open, isOffered: () => ports.stamp(INSTRUMENT) !== null, end: async () => {},
      forwarder: (given) => forwardPort({ url: 'http://127.0.0.1', instrument: INSTRUMENT, ...given, WebSocket: sockets.WebSocket }),
    };
  })), { describe, it });
});

describe.each(THINGS)('the link to what a page has, through the gateway\'s own server: $name', (thing) => {
  describeClauses('its promises', linkClauses(harness(thing, async () => {
    const { ports, open } = portsBench(systemClock, browserInstrument(thing.link));
    const gateway = new FakeGateway();
    gateway.ports = ports;
    const served = await runServer({}, { gateway });
    return {
      open, isOffered: () => ports.stamp(INSTRUMENT) !== null,
      end: () => served.stop(),
      forwarder: (given) => forwardPort({
        url: served.server.url, token: served.token('operate'), instrument: INSTRUMENT, ...given, WebSocket: WebSocket,
      }),
    };
  })), { describe, it });
});
