/** What the errors of a USB device mean: names of the standard first, then the words of libraries and systems. */
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';

/** First match counts, on name and text together. */
const CAUSES: readonly (readonly [words: RegExp, code: ErrorCode, hint?: string])[] = [
  [/^SecurityError|permission|access (was )?denied|EACCES|EPERM|insufficient/i, 'LINK_PERMISSION',
    'Install the udev rule for USB devices of config/udev with the ids of this device, then plug it in again; on Windows the device needs the WinUSB driver.'],
  [/busy|EBUSY|already (claimed|in use|open)|exclusive/i, 'LINK_BUSY',
    'Another program or a driver of the system has it. A device that is a serial port too is for link kind "serial", a HID device for kind "hid".'],
  [/^NotFoundError|disconnected|no such (device|file)|no device|not found|ENODEV|ENOENT/i, 'LINK_NOT_FOUND'],
  [/not supported|ENOTSUP/i, 'LINK_UNSUPPORTED'],
];

/** @param what what did not work, for a person */
export function usbOpenError(thrown: unknown, what: string, label: string): TorsiondError {
  if (thrown instanceof TorsiondError) return thrown;
  const text = errorText(thrown);
  const found = CAUSES.find(([words]) => words.test(text));
  // The standard knows only NetworkError for an interface that somebody else has.
  const code = found?.[1] ?? (/^NetworkError/.test(text) && /^interface/.test(what) ? 'LINK_BUSY' : 'LINK_OPEN_FAILED');
  return new TorsiondError(code, `${what}: ${text}`, { where: label, cause: thrown, ...(found?.[2] === undefined ? {} : { hint: found[2] }) });
}

/** Of a device that was open: whatever it is, the link is over. */
export function usbError(thrown: unknown, what: string, label: string): TorsiondError {
  return thrown instanceof TorsiondError ? thrown : new TorsiondError('LINK_LOST', `${what}: ${errorText(thrown)}`, { where: label, cause: thrown });
}

function errorText(thrown: unknown): string {
  if (!(thrown instanceof Error)) return String(thrown);
  return thrown.name === 'Error' ? thrown.message : `${thrown.name}: ${thrown.message}`;
}
