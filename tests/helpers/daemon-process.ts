/** The daemon as a process of its own; it is ended with the test, by its own id. */
import { onTestFinished } from 'vitest';
import { daemonChild, type DaemonProcess } from './daemon-child.ts';

export type { DaemonProcess };

/** A process that has loaded the daemon, or is about to, and waits for its settings. */
export function daemonProcess(dataDirectory: string): DaemonProcess {
  const daemon = daemonChild(dataDirectory);
  onTestFinished(daemon.kill);
  return daemon;
}
