/** A byte pipe over TCP, as serial device servers offer it. */
import { connect, type Socket } from 'node:net';
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';
import type { ByteLink, LinkContext } from './link.ts';
import { LinkCore } from './link-core.ts';

export interface TcpLinkOptions {
  readonly host: string;
  readonly port: number;
}

const CONNECT_LIMIT_MS = 5_000;
const WRITE_LIMIT_MS = 2_000;
/** Bytes that may wait for a peer that does not take them. */
const UNSENT_BYTES_MAX = 64 * 1024;
/** A dead peer sends nothing; the operating system asks after so much silence. */
const KEEP_ALIVE_MS = 5_000;
const READ_BUFFER_BYTES = 64 * 1024;

/** What the operating system says, and what it means. Everything else is LINK_OPEN_FAILED. */
const CODES: Readonly<Record<string, ErrorCode>> = {
  ECONNREFUSED: 'LINK_REFUSED',
  ENOTFOUND: 'LINK_NOT_FOUND',
  EAI_AGAIN: 'LINK_NOT_FOUND',
  EHOSTUNREACH: 'LINK_NOT_FOUND',
  ENETUNREACH: 'LINK_NOT_FOUND',
  ETIMEDOUT: 'LINK_NOT_FOUND',
};
const HOST_HINT = 'Check the host name, that the device server is on, and the network between.';

/** @throws TorsiondError LINK_REFUSED, LINK_NOT_FOUND, LINK_OPEN_FAILED, LINK_CLOSED when aborted */
export async function openTcpLink(options: TcpLinkOptions, context: LinkContext): Promise<ByteLink> {
  const label = `${options.host}:${options.port}`;
  const givenUp = (): TorsiondError => new TorsiondError('LINK_CLOSED', 'opening was given up', { where: label });
  if (context.signal.aborted) throw givenUp();

  const buffer = new Uint8Array(READ_BUFFER_BYTES);
  let core: LinkCore | null = null;
  const socket: Socket = connect({
    host: options.host, port: options.port, noDelay: true, keepAlive: true, keepAliveInitialDelay: KEEP_ALIVE_MS,
    onread: {
      buffer,
      callback: (count) => {
        core?.deliver(buffer.slice(0, count));
        return core !== null && !core.isHeld;
      },
    },
  });
  await connected(socket, label, context, givenUp);

  let closing: Promise<void> | null = null;
  const release = (): Promise<void> => {
    closing ??= new Promise((resolve) => {
      if (socket.closed) resolve();
      else socket.once('close', () => resolve());
      socket.destroy();
    });
    return closing;
  };
  const lose = (error: TorsiondError): void => {
    core!.finish({ reason: 'lost', error });
    void release();
  };
  const lost = (what: string, cause?: unknown): void => lose(new TorsiondError('LINK_LOST', what, { where: label, cause }));
  core = new LinkCore(label, context.clock, {
    hold: () => socket.pause(),
    release: () => socket.resume(),
    fail: lose,
  });
  socket.on('error', (error) => lost(`the connection broke: ${error.message}`, error));
  socket.on('end', () => lost('the other side closed the connection'));
  socket.on('close', () => lost('the connection closed'));
  socket.resume();

  const write = (data: Uint8Array): Promise<void> => new Promise((resolve, reject) => {
    core.assertOpen();
    if (socket.writableLength + data.length > UNSENT_BYTES_MAX) {
      throw new TorsiondError('LINK_WRITE_TIMEOUT', 'the other side does not take what was written before', { where: label });
    }
    // What a socket has taken cannot be taken back, so a write that does not leave in time ends the link.
    const cancel = context.clock.after(WRITE_LIMIT_MS, () => {
      const error = new TorsiondError('LINK_WRITE_TIMEOUT', `nothing was taken for ${WRITE_LIMIT_MS} ms`, { where: label });
      reject(error);
      lose(error);
    });
    socket.write(new Uint8Array(data), (error) => {
      cancel();
      if (error) reject(new TorsiondError('LINK_LOST', `the connection broke: ${error.message}`, { where: label, cause: error }));
      else resolve();
    });
  });
  return {
    label,
    ended: core.ended,
    listen: (listener) => core.listen(listener),
    pause: () => core.pause(),
    resume: () => core.resume(),
    write,
    close: () => {
      core.finish({ reason: 'closed' });
      return release();
    },
  };
}

function connected(socket: Socket, label: string, context: LinkContext, givenUp: () => TorsiondError): Promise<void> {
  return new Promise((resolve, reject) => {
    const settle = (error: TorsiondError | null): void => {
      cancel();
      context.signal.removeEventListener('abort', onAbort);
      socket.removeListener('error', onError).removeListener('connect', onConnect);
      if (!error) return resolve();
      socket.on('error', () => {}); // whatever else it has to say
      socket.destroy();
      reject(error);
    };
    const onAbort = (): void => settle(givenUp());
    const onConnect = (): void => settle(null);
    const onError = (error: NodeJS.ErrnoException): void => {
      const code = CODES[error.code ?? ''] ?? 'LINK_OPEN_FAILED';
      settle(new TorsiondError(code, `no connection: ${error.message || error.code}`, {
        where: label, cause: error, ...(code === 'LINK_NOT_FOUND' ? { hint: HOST_HINT } : {}),
      }));
    };
    const cancel = context.clock.after(CONNECT_LIMIT_MS, () => settle(
      new TorsiondError('LINK_NOT_FOUND', `no answer for ${CONNECT_LIMIT_MS} ms`, { where: label, hint: HOST_HINT }),
    ));
    context.signal.addEventListener('abort', onAbort);
    socket.once('error', onError).once('connect', onConnect);
  });
}
