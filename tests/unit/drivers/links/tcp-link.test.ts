import { createServer, type AddressInfo, type Server, type Socket } from 'node:net';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import type { ByteLink } from '../../../../drivers/links/link.ts';
import { openTcpLink } from '../../../../drivers/links/tcp-link.ts';
import { systemClock, type Clock } from '../../../../shared/clock.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';
import { waitUntil } from '../../../helpers/wait-until.ts';

let server: Server;
let sockets: Socket[];
let port: number;
const links: ByteLink[] = [];

beforeEach(async () => {
  sockets = [];
  server = createServer({ pauseOnConnect: true }, (socket) => {
    socket.on('error', () => {});
    sockets.push(socket);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  port = (server.address() as AddressInfo).port;
});
afterEach(async () => {
  await Promise.all(links.splice(0).map((link) => link.close()));
  for (const socket of sockets) socket.destroy();
  await new Promise((resolve) => server.close(resolve));
});

async function open(clock: Clock = systemClock, host = '127.0.0.1'): Promise<ByteLink> {
  const link = await openTcpLink({ host, port }, { clock, signal: new AbortController().signal });
  links.push(link);
  await waitUntil(() => sockets.length > 0, 'the server to see the connection');
  return link;
}

describe('a TCP link', () => {
  it('to a port where nobody listens is LINK_REFUSED, by name and by number', async () => {
    for (const host of ['127.0.0.1', 'localhost']) {
      const opened = openTcpLink({ host, port: 1 }, { clock: systemClock, signal: new AbortController().signal });
      await expect(opened).rejects.toMatchObject({ code: 'LINK_REFUSED', where: `${host}:1` });
    }
  });

  it('that is given up while it connects leaves no timer', async () => {
    const clock = new ManualClock();
    const abort = new AbortController();
    const opening = openTcpLink({ host: '127.0.0.1', port }, { clock, signal: abort.signal });
    abort.abort();
    await expect(opening).rejects.toMatchObject({ code: 'LINK_CLOSED' });
    expect(clock.pendingTimers).toBe(0);
  });

  it('ends as lost when the other side closes in good order', async () => {
    const link = await open();
    link.listen(() => {});
    sockets[0]!.end();
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST', message: 'the other side closed the connection' } });
  });

  it('ends as lost when the connection is reset', async () => {
    const link = await open();
    link.listen(() => {});
    sockets[0]!.resetAndDestroy();
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST' } });
  });

  it('refuses a write while too much waits, and ends when nothing is taken in time', async () => {
    const clock = new ManualClock();
    const link = await open(clock);
    // The server does not read: the system's buffers fill first, then ours.
    let refused: unknown = null;
    const waiting: Promise<unknown>[] = [];
    while (refused === null) {
      const write = link.write(new Uint8Array(60_000));
      waiting.push(write.catch((error: unknown) => { refused ??= error; }));
      await new Promise((resolve) => setImmediate(resolve));
    }
    expect(refused).toMatchObject({ code: 'LINK_WRITE_TIMEOUT', where: link.label });
    clock.advance(2_000);
    expect(await link.ended).toMatchObject({ reason: 'lost', error: { code: 'LINK_WRITE_TIMEOUT' } });
    await Promise.all(waiting);
    await expect(link.write(new Uint8Array(1))).rejects.toMatchObject({ code: 'LINK_CLOSED' });
    expect(clock.pendingTimers).toBe(0);
  });
});
