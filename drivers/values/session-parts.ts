/** What the sessions of all drivers do alike: the end, and zeroing. */
import { TorsiondError } from '../../shared/errors.ts';
import type { ByteLink } from '../links/link.ts';

export interface StoppableSession {
  readonly isRunning: () => boolean;
  readonly finish: () => void;
}

/**
 * `stop` of a session: done once, however often it is called. Only a session that runs sends its stop command; a device
 * that is gone already has nothing to stop.
 * @param command what is sent; undefined: nothing
 */
export function stopOnce(link: ByteLink, session: StoppableSession, command: () => Uint8Array | undefined): () => Promise<void> {
  let stopped: Promise<void> | null = null;
  const stop = async (): Promise<void> => {
    const wasRunning = session.isRunning();
    session.finish();
    const bytes = wasRunning ? command() : undefined;
    if (bytes !== undefined) await link.write(bytes).catch(() => {});
  };
  return () => (stopped ??= stop());
}

/** What the settings give for zeroing the device. @throws TorsiondError COMMAND_UNSUPPORTED when they give nothing */
export function zeroCommand<Command>(zero: Command | undefined, where: string): Command {
  if (zero === undefined) {
    throw new TorsiondError('COMMAND_UNSUPPORTED', 'no command that zeroes the device is set', {
      where, hint: 'Set driver.options.commands.zero, or zero the channel in the gateway.',
    });
  }
  return zero;
}
