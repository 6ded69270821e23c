import { describe, it } from 'vitest';
import { describeClauses, eventually, linkClauses } from '../../drivers/conformance/index.ts';
import type { ByteLink } from '../../drivers/links/link.ts';
import { openRfc2217Link } from '../../drivers/links/rfc2217-link.ts';
import { systemClock } from '../../shared/clock.ts';
import { openRfc2217Port, type Rfc2217Port } from '../../simulator/ports/rfc2217-port.ts';
import { serialOptions } from '../helpers/serial-options.ts';

describe('the link by RFC 2217', () => {
  let port: Rfc2217Port | null = null;
  const links: ByteLink[] = [];
  const connect = async (number: number, signal = new AbortController().signal): Promise<ByteLink> => {
    const { path: _, ...line } = serialOptions('');
    const link = await openRfc2217Link({ ...line, host: '127.0.0.1', port: number }, { clock: systemClock, signal });
    links.push(link);
    return link;
  };
  describeClauses('its promises', linkClauses({
    name: 'RFC 2217', supports: { exclusive: false, writes: true },
    open: async (signal) => {
      const at = await openRfc2217Port();
      port = at;
      const received: Uint8Array[] = [];
      at.onData((bytes) => received.push(bytes));
      return { link: await connect(at.address.port, signal), far: {
        send: async (data) => {
          at.write(data);
          await eventually(() => at.backlogBytes === 0, 'the port to take the bytes');
        },
        received: () => Buffer.concat(received),
        unplug: () => at.unplug(),
      } };
    },
    openAgain: (signal) => connect(port!.address.port, signal),
    openAbsent: (signal) => connect(1, signal),
    cleanUp: async () => {
      await Promise.all(links.splice(0).map((link) => link.close()));
      await port?.close();
      port = null;
    },
  }), { describe, it });
});
