import { asTorsiondError, type TorsiondError } from '../../shared/errors.ts';
import type { SimulatedPort } from './port.ts';
import { openPtyPort, type PtyPortOptions } from './pty-port.ts';
import { openRfc2217Port } from './rfc2217-port.ts';
import { openTcpPort } from './tcp-port.ts';

export interface OpenPortOptions extends PtyPortOptions {
  prefer: 'pty' | 'tcp' | 'rfc2217';
  /** Told when a pseudo terminal was preferred and cannot be made (SIM_NO_PTY); TCP is opened instead. */
  notice?: (error: TorsiondError) => void;
}

/** The preferred kind of port, or TCP where no pseudo terminal can be made. */
export async function openPort(options: OpenPortOptions): Promise<SimulatedPort> {
  const size = options.maxBacklogBytes === undefined ? {} : { maxBacklogBytes: options.maxBacklogBytes };
  if (options.prefer === 'tcp') return openTcpPort(size);
  if (options.prefer === 'rfc2217') return openRfc2217Port(size);
  try {
    return await openPtyPort(options);
  } catch (thrown) {
    const error = asTorsiondError(thrown);
    if (error.code !== 'SIM_NO_PTY') throw error;
    options.notice?.(error);
    return openTcpPort(size);
  }
}
