/** Every kind of port that a virtual instrument can have, with the link that opens it. A new kind is a row. */
import { linkOpener } from '../../daemon/devices/open-link.ts';
import { LinkSettings } from '../../daemon/settings/schema.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import { openPtyPort, openRfc2217Port, openTcpPort, type SimulatedPort } from '../../simulator/index.ts';
import { memoryBenchPort } from './memory-bench-port.ts';
import { usbBench } from './usb-bench.ts';

export interface FaultPort {
  readonly name: string;
  /** The port is the caller's to close. */
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
  { name: 'memory', make: async () => memoryBenchPort() },
  ...(['usb', 'hid'] as const).map((name): FaultPort => ({
    name,
    make: async () => {
      const devices = usbBench();
      const { port, link } = devices.plug(name, 'HF-0001');
      return { port, open: devices.open(link) };
    },
  })),
];
