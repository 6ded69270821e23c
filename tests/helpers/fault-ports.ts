/** Every kind of port that a virtual instrument can have, with the link that opens it. A new kind is a row. */
import { onTestFinished } from 'vitest';
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { LinkSettings } from '../../daemon/settings/schema.ts';
import { openHidLink } from '../../drivers/links/hid-link.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import { openUsbLink } from '../../drivers/links/usb-link.ts';
import { forwardPort } from '../../shared/client/index.ts';
import { systemClock } from '../../shared/clock.ts';
import { HidBus, openHidPort, openPtyPort, openRfc2217Port, openTcpPort, openUsbPort, UsbBus, type SimulatedPort } from '../../simulator/index.ts';
import { memoryBenchPort } from './memory-bench-port.ts';
import { browserInstrument, INSTRUMENT, memorySockets, portsBench, WEB_SERIAL, webUsb } from './page-port-bench.ts';
import { waitUntil } from './wait-until.ts';

export interface FaultPort {
  readonly name: string;
  /** Within a test. The port is the caller's to close. */
  make(): Promise<{ readonly port: SimulatedPort; readonly open: OpenLink }>;
}

const opener = (link: object): OpenLink => linkOpener(LinkSettings.parse(link));

export const FAULT_PORTS: readonly FaultPort[] = [
  {
    name: 'pty',
    make: async () => {
      const port = await openPtyPort();
      return { port, open: opener({ kind: 'serial', path: port.address.path, baudRate: 115_200 }) };
    },
  },
  {
    name: 'tcp',
    make: async () => {
      const port = await openTcpPort();
      return { port, open: opener(port.address) };
    },
  },
  {
    name: 'rfc2217',
    make: async () => {
      const port = await openRfc2217Port();
      return { port, open: opener({ ...port.address, baudRate: 115_200 }) };
    },
  },
  {
    name: 'usb',
    make: async () => {
      const bus = new UsbBus();
      return { port: openUsbPort({ bus }), open: (context) => openUsbLink({ vendorId: '1209', productId: '0001', packetHeaderBytes: 0 }, bus, context) };
    },
  },
  {
    name: 'hid',
    make: async () => {
      const bus = new HidBus();
      const reports = { reportId: 0, payload: { offset: 1, lengthByte: 0 }, output: { reportId: 0, bytes: 64, offset: 1, lengthByte: 0 } };
      return { port: openHidPort({ bus }), open: (context) => openHidLink({ vendorId: '1209', productId: '0002', ...reports }, bus, context) };
    },
  },
  // What a page has, the module that the page runs, and the gateway's side of it; between them memory.
  ...[WEB_SERIAL, webUsb('browser-usb')].map((thing): FaultPort => ({
    name: thing.name,
    make: async () => {
      const plugged = thing.plugIn();
      const { ports, open } = portsBench(systemClock, browserInstrument(thing.link));
      const { WebSocket } = memorySockets(ports, systemClock);
      const forward = (): void => {
        const forwarder = forwardPort({ url: 'http://127.0.0.1', instrument: INSTRUMENT, ...plugged.given(), WebSocket });
        onTestFinished(() => forwarder.close());
      };
      forward();
      // As the page does, when the browser says that it is back.
      plugged.onConnect(forward);
      await waitUntil(() => ports.stamp(INSTRUMENT) !== null, 'the page to offer it');
      return { port: plugged.port, open };
    },
  })),
  { name: 'memory', make: async () => memoryBenchPort() },
];
