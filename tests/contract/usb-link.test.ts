import { afterEach, describe, it } from 'vitest';
import { describeClauses, linkClauses } from '../../drivers/conformance/index.ts';
import type { ByteLink } from '../../drivers/links/link.ts';
import { openUsbLink, type UsbLinkOptions } from '../../drivers/links/usb-link.ts';
import { systemClock } from '../../shared/clock.ts';
import { openUsbPort, UsbBus, type UsbPort, type UsbPortOptions } from '../../simulator/index.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** Kinds of devices: endpoints, packets and what a bridge chip puts into them. */
const KINDS: [name: string, port: Omit<UsbPortOptions, 'bus'>, options: Partial<UsbLinkOptions>][] = [
  ['bulk, packets of 64 bytes', {}, {}],
  ['interrupt, packets of 8 bytes with a header of 2, ended by empty ones', { type: 'interrupt', packetSize: 8, packetHeader: Uint8Array.of(1, 0x60), endsWithEmptyPacket: true }, { packetHeaderBytes: 2 }],
  ['bulk, packets of 512 bytes, on interface 3, not configured yet', { packetSize: 512, interfaceNumber: 3, isConfigured: false, otherInterfaces: [{ interfaceNumber: 0, interfaceClass: 3, endpoints: [] }] }, {}],
];

describe.each(KINDS)('the USB link: %s', (_name, kind, options) => {
  const bus = new UsbBus();
  const links: ByteLink[] = [];
  let port: UsbPort | null = null;
  const open = async (productId: string, signal = new AbortController().signal): Promise<ByteLink> => {
    const link = await openUsbLink({ vendorId: '1209', productId, packetHeaderBytes: 0, ...options }, bus, { clock: systemClock, signal });
    links.push(link);
    return link;
  };
  afterEach(async () => {
    await port?.close();
    port = null;
  });
  describeClauses('its promises', linkClauses({
    name: 'USB', supports: { exclusive: true, writes: true },
    open: async (signal) => {
      const at = openUsbPort({ bus, ...kind });
      port = at;
      const received: Uint8Array[] = [];
      at.onData((bytes) => received.push(bytes));
      const link = await open('0001', signal);
      return { link, far: {
        send: async (data) => {
          at.write(data.slice());
          await waitUntil(() => at.backlogBytes === 0 || !at.isPluggedIn || at.pendingReads === 0, 'the host to take the bytes');
        },
        received: () => Buffer.concat(received),
        unplug: () => at.unplug(),
      } };
    },
    openAgain: (signal) => open('0001', signal),
    openAbsent: (signal) => open('0002', signal),
    cleanUp: async () => {
      await Promise.all(links.splice(0).map((link) => link.close()));
      await port?.close();
      if (bus.listenerCount > 0) throw new Error('a closed link still listens to the bus');
    },
  }), { describe, it });
});
