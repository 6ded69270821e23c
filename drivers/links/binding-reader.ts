/** Reads a port through the serialport binding: where there are no terminal devices to open a second time (Windows). */
import type { PortReader, PortReaderEvents } from './tty-reader.ts';

interface ReadablePort {
  read(buffer: Buffer, offset: number, length: number): Promise<{ bytesRead: number }>;
}

const READ_BUFFER_BYTES = 64 * 1024;

/** The port's own `close` ends a read that waits. */
export function openBindingReader(port: ReadablePort, events: PortReaderEvents): PortReader {
  const buffer = Buffer.alloc(READ_BUFFER_BYTES);
  let wantsBytes = false;
  let isReading = false;
  let isOver = false;
  const lost = (cause: Error | null): void => {
    if (isOver) return;
    isOver = true;
    events.lost(cause);
  };
  const read = async (): Promise<void> => {
    if (isReading) return;
    isReading = true;
    try {
      while (wantsBytes && !isOver) {
        const { bytesRead } = await port.read(buffer, 0, buffer.length);
        if (isOver) return;
        // A read promises at least one byte; none means that the device hung up.
        if (bytesRead === 0) return lost(null);
        if (!events.bytes(new Uint8Array(buffer.subarray(0, bytesRead)))) wantsBytes = false;
      }
    } catch (thrown) {
      lost(thrown instanceof Error ? thrown : new Error(String(thrown)));
    } finally {
      isReading = false;
    }
  };
  return {
    pause: () => {
      wantsBytes = false;
    },
    resume: () => {
      wantsBytes = true;
      void read();
    },
    close: async () => {
      isOver = true;
    },
  };
}
