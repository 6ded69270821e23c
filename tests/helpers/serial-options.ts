import type { SerialLinkOptions } from '../../drivers/links/serial-options.ts';

/** The usual settings of a serial port. */
export function serialOptions(path: string, changes: Partial<SerialLinkOptions> = {}): SerialLinkOptions {
  return { path, baudRate: 115_200, dataBits: 8, parity: 'none', stopBits: 1, rtscts: false, xon: false, dtr: null, rts: null, ...changes };
}
