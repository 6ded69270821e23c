/**
 * Reads an open terminal device through libuv's own stream. The read loop of the serialport binding takes a read of 0
 * bytes, which is what a hung-up terminal gives for ever, as "nothing yet" and asks again at full speed without
 * telling anybody; libuv takes it as the end, at once. It also needs a third of the processor time, because reads do
 * not go through the thread pool.
 */
import { closeSync, constants, openSync } from 'node:fs';
import { ReadStream } from 'node:tty';

/** A pseudo terminal gives at most 4095 bytes at once, a USB adapter usually less. */
const READ_BUFFER_BYTES = 64 * 1024;

export interface PortReader {
  pause(): void;
  resume(): void;
  /** Resolves when its descriptor is closed. Idempotent. */
  close(): Promise<void>;
}

export interface PortReaderEvents {
  /** Fresh memory each time. @returns false to stop reading. */
  bytes(data: Uint8Array): boolean;
  /** The device hung up, or reading failed. At most once, never after `close`. */
  lost(cause: Error | null): void;
}

/**
 * The terminal is opened a second time: libuv replaces the open file behind the descriptor it is given, and with it
 * would go the exclusive lock that the binding holds.
 * @throws what `open` throws
 */
export function openTtyReader(descriptor: number, node: string, events: PortReaderEvents): PortReader {
  const flags = constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK;
  // Through /proc it is surely the same device, also when the name has meanwhile gone to another one.
  const own = openSync(process.platform === 'linux' ? `/proc/self/fd/${descriptor}` : node, flags);
  const buffer = new Uint8Array(READ_BUFFER_BYTES);
  let stream: ReadStream;
  try {
    stream = new ReadStream(own, { onread: { buffer, callback: (count) => events.bytes(buffer.slice(0, count)) } });
  } catch (thrown) {
    closeSync(own);
    throw thrown;
  }
  // Where libuv could open the terminal by its name, the stream has a descriptor of its own and ours is left over.
  const used = (stream as unknown as { readonly _handle?: { readonly fd?: number } })._handle?.fd;
  if (used !== undefined && used !== own) closeSync(own);
  let isOver = false;
  const over = (cause: Error | null): void => {
    if (isOver) return;
    isOver = true;
    events.lost(cause);
  };
  const closed = new Promise<void>((resolve) => stream.once('close', () => resolve()));
  stream.on('end', () => over(null));
  stream.on('error', (error) => over(error));
  stream.on('close', () => over(null));
  return {
    pause: () => void stream.pause(),
    resume: () => void stream.resume(),
    close: () => {
      isOver = true;
      stream.destroy();
      return closed;
    },
  };
}
