import { afterEach, describe, it } from 'vitest';
import { describeClauses, linkClauses } from '../../drivers/conformance/index.ts';
import { openHidLink, type HidLinkOptions } from '../../drivers/links/hid-link.ts';
import type { ByteLink } from '../../drivers/links/link.ts';
import { systemClock } from '../../shared/clock.ts';
import { HidBus, openHidPort, type HidPort, type HidPortOptions } from '../../simulator/index.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** Kinds of devices: how they put bytes into reports. */
const KINDS: [name: string, port: Omit<HidPortOptions, 'bus'>, options: Pick<HidLinkOptions, 'reportId' | 'payload' | 'output'>][] = [
  ['reports of 64 bytes with a length', {},
    { reportId: 0, payload: { offset: 1, lengthByte: 0 }, output: { reportId: 0, bytes: 64, offset: 1, lengthByte: 0 } }],
  ['numbered reports of 8 bytes with a length', { reportId: 3, reportBytes: 8 },
    { reportId: 3, payload: { offset: 1, lengthByte: 0 }, output: { reportId: 3, bytes: 8, offset: 1, lengthByte: 0 } }],
  ['reports of a single byte', { reportBytes: 1, hasLengthByte: false },
    { reportId: 0, payload: { offset: 0, lengthByte: null }, output: { reportId: 0, bytes: 1, offset: 0, lengthByte: null } }],
];

describe.each(KINDS)('the HID link: %s', (_name, kind, options) => {
  const bus = new HidBus();
  const links: ByteLink[] = [];
  let port: HidPort | null = null;
  const open = async (productId: string, signal = new AbortController().signal): Promise<ByteLink> => {
    const link = await openHidLink({ vendorId: '1209', productId, ...options }, bus, { clock: systemClock, signal });
    links.push(link);
    return link;
  };
  afterEach(async () => {
    await port?.close();
    port = null;
  });
  describeClauses('its promises', linkClauses({
    name: 'HID', supports: { exclusive: true, writes: true },
    open: async (signal) => {
      const at = openHidPort({ bus, ...kind });
      port = at;
      const received: Uint8Array[] = [];
      at.onData((bytes) => received.push(bytes));
      const link = await open('0002', signal);
      return { link, far: {
        send: async (data) => {
          at.write(data.slice());
          await waitUntil(() => at.backlogBytes === 0, 'the reports to leave');
        },
        received: () => Buffer.concat(received),
        unplug: () => at.unplug(),
      } };
    },
    openAgain: (signal) => open('0002', signal),
    openAbsent: (signal) => open('0009', signal),
    cleanUp: async () => {
      await Promise.all(links.splice(0).map((link) => link.close()));
      await port?.close();
    },
  }), { describe, it });
});
