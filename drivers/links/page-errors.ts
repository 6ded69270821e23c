/** Why a browser could not open a port or a device, as the page tells it: the standard's name of the error, and its words. */
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';
import type { PortHow } from '../../shared/wire/port-messages.ts';

type Causes = Readonly<Record<string, readonly [code: ErrorCode, hint?: string]>>;

const SERIAL: Causes = {
  NotFoundError: ['LINK_NOT_FOUND'],
  NetworkError: ['LINK_OPEN_FAILED', 'On the computer with the transducer, close other programs that hold the port, and look after the adapter and the right to use it.'],
};
const SERIAL_HINT = 'Check the line settings, and the adapter at the computer with the transducer.';

const USB: Causes = {
  NotFoundError: ['LINK_NOT_FOUND', 'Look after the cable and the configuration at the computer with the transducer.'],
  SecurityError: ['LINK_PERMISSION', 'On the computer with the transducer, give its person the right to the device: a udev rule on Linux, the WinUSB driver on Windows. Devices of some classes, keyboards and disks among them, browsers leave to the system.'],
  NetworkError: ['LINK_OPEN_FAILED', 'On the computer with the transducer, close other programs and pages that have the device. One that is a serial port too is for link kind "browser".'],
  // Words of the page's own module, not of the browser.
  LINK_SETTINGS: ['LINK_SETTINGS'],
};
const USB_HINT = 'Look after the device at the computer with the transducer.';

/** @param name of the error, for example NetworkError; from a page, so anything */
export function pageOpenError(how: PortHow, name: string, message: string, label: string): TorsiondError {
  const [causes, otherHint, thing] = how.type === 'open' ? [SERIAL, SERIAL_HINT, 'port'] as const : [USB, USB_HINT, 'USB device'] as const;
  const [code, hint] = (Object.hasOwn(causes, name) ? causes[name] : undefined) ?? ['LINK_OPEN_FAILED', otherHint] as const;
  return new TorsiondError(code, `the browser could not open the ${thing}: ${message || name}`, { where: label, ...(hint === undefined ? {} : { hint }) });
}
