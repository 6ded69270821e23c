/**
 * Tells when whoever reads standard output has gone. Writing tells it too, but a command that has said what it had to say
 * writes no more. No call of Node tells it without writing; serialport's binding has one that asks the system.
 */
import { closeSync, constants, fstatSync, openSync } from 'node:fs';
import { createRequire } from 'node:module';

const STANDARD_OUTPUT = 1;

interface Poller {
  once(event: 'disconnect', listener: (error: Error | null) => void): void;
  destroy(): void;
}

/** Calls back once, as soon as nobody reads the pipe behind standard output. Where that is no pipe, or on Windows, never. */
export function whenReaderGone(gone: () => void): void {
  if (process.platform === 'win32' || !fstatSync(STANDARD_OUTPUT).isFIFO()) return;
  let descriptor: number | null = null;
  try {
    const require = createRequire(import.meta.url);
    const { Poller } = createRequire(require.resolve('serialport'))('@serialport/bindings-cpp/dist/poller') as { Poller: new (descriptor: number) => Poller };
    // Opened anew: watching makes a descriptor non-blocking, and the one of standard output is shared with other processes.
    const own = openSync(`/dev/fd/${STANDARD_OUTPUT}`, constants.O_WRONLY | constants.O_NONBLOCK);
    descriptor = own;
    const poller = new Poller(own);
    poller.once('disconnect', () => {
      poller.destroy();
      closeSync(own);
      gone();
    });
  } catch {
    // Without it the command runs until it is stopped by a signal, as it says.
    if (descriptor !== null) closeSync(descriptor);
  }
}
