/** The serial link when the plug is pulled: at 1 Hz, at 1 kHz and in a flood, 50 times each. How soon is measured in the bench. */
import { afterAll, afterEach, describe, expect, it } from 'vitest';
import type { ByteLink, LinkEnd } from '../../drivers/links/link.ts';
import { openSerialLink } from '../../drivers/links/serial-link.ts';
import { systemClock } from '../../shared/clock.ts';
import { openPtyPort, type PtyPort } from '../../simulator/ports/pty-port.ts';
import { serialOptions } from '../helpers/serial-options.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const TIMES = 50;
const signal = new AbortController().signal;

let port: PtyPort | null = null;
let stopSending: () => void = () => {};

afterEach(() => stopSending());
afterAll(() => port?.close());

/** Sends lines at the rate until stopped; 0: as fast as the port takes them. */
function sendLines(to: PtyPort, rateHz: number): () => void {
  const line = Buffer.from('12.3456\n');
  const flood = Buffer.from('12.3456\n'.repeat(1_024));
  let isRunning = true;
  const feed = (): void => {
    while (isRunning && to.isPluggedIn && to.backlogBytes < 64 * 1024) to.write(flood);
    if (isRunning) setTimeout(feed, 1);
  };
  if (rateHz === 0) feed();
  const timer = rateHz > 0 ? setInterval(() => to.write(line), 1_000 / rateHz) : undefined;
  // At 1 Hz the first line need not be waited for.
  to.write(line);
  return () => {
    isRunning = false;
    clearInterval(timer);
  };
}

/** Opens and waits until bytes flow both ways. */
async function connected(to: PtyPort, mark: string): Promise<{ link: ByteLink; bytes: () => number }> {
  const link = await openSerialLink(serialOptions(to.address.path), { clock: systemClock, signal });
  let bytes = 0;
  link.listen((chunk) => {
    bytes += chunk.data.length;
  });
  const before = to.counters.receivedBytes;
  await link.write(Buffer.from(mark));
  await waitUntil(() => to.counters.receivedBytes > before, 'the port to hear the link');
  return { link, bytes: () => bytes };
}

describe.each([['1 Hz', 1], ['1 kHz', 1_000], ['a flood', 0]])('unplugged at %s', (_, rateHz) => {
  it(`is told, ${TIMES} of ${TIMES} times, without a spin, and the port serves again`, async () => {
    port ??= await openPtyPort();
    const heard: string[] = [];
    port.onData((bytes) => heard.push(Buffer.from(bytes).toString('latin1')));

    for (let round = 0; round < TIMES; round++) {
      await port.replug();
      heard.length = 0;
      const { link, bytes } = await connected(port, `<${round}>`);
      // What an earlier link wrote, also after its loss, must not come out here.
      expect(heard.join('')).toBe(`<${round}>`);
      stopSending = sendLines(port, rateHz);
      await waitUntil(() => bytes() > 0, 'bytes');

      let end: LinkEnd | null = null;
      void link.ended.then((how) => {
        end = how;
      });
      // A command on its way while the plug is pulled.
      const stale = link.write(Buffer.from('STALE')).then(() => 'taken', (error: { code: string }) => error.code);
      await port.unplug();
      await link.ended;
      stopSending();
      expect(end).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST' } });
      expect(['taken', 'LINK_CLOSED', 'LINK_LOST']).toContain(await stale);
      await expect(link.write(Buffer.from('STALE'))).rejects.toMatchObject({ code: 'LINK_CLOSED' });
      if (round === TIMES - 1) {
        // Nobody closes the link meanwhile: a read loop that spins would take all of a core that it can get here.
        const before = process.cpuUsage();
        const beganMs = performance.now();
        await new Promise((resolve) => setTimeout(resolve, 500));
        const spent = process.cpuUsage(before);
        expect((spent.user + spent.system) / 1e3 / (performance.now() - beganMs)).toBeLessThan(0.5);
      }
      await link.close();
    }
  });
});
