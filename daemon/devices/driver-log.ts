/** What a driver threw, for whoever writes it: clients are told the message alone. */
import type { TorsiondError } from '../../shared/errors.ts';
import type { Log } from '../log.ts';

/** One line at debug level, with the stack (`err.stack`) of what was thrown where there is one. */
export function logDriverFailure(log: Log, instrument: string, { code, message, cause }: TorsiondError): void {
  log.debug({ instrument, code, fault: message, ...(cause === undefined ? {} : { err: cause }) }, 'the driver failed');
}
