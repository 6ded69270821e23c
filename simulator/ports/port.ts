/** Where a virtual instrument is plugged in: the device's side of a byte channel. */

/** A simulated device on USB. It exists in the process that made it and nowhere else. */
export interface UsbPortAddress {
  readonly kind: 'usb' | 'hid';
  /** Four hexadecimal digits, as in the settings. */
  readonly vendorId: string;
  readonly productId: string;
  readonly serialNumber: string | null;
  /** The socket, for example `1-2`. */
  readonly place: string;
}

export type PortAddress =
  | { readonly kind: 'serial'; readonly path: string }
  | { readonly kind: 'tcp' | 'rfc2217'; readonly host: string; readonly port: number }
  | UsbPortAddress
  /** A serial port of the W3C Web Serial shape, in the process or page that made it. */
  | { readonly kind: 'web-serial'; readonly name: string };

/** For a person; an RFC 2217 port as `torsiond probe` takes it, because as plain TCP it is not understood. */
export function addressText(address: PortAddress): string {
  switch (address.kind) {
    case 'serial': return address.path;
    case 'tcp': return `${address.host}:${address.port}`;
    case 'rfc2217': return `rfc2217://${address.host}:${address.port}`;
    case 'web-serial': return address.name;
    case 'usb':
    case 'hid': {
      const { kind, vendorId, productId, serialNumber, place } = address;
      return `${kind.toUpperCase()} ${vendorId}:${productId}${serialNumber === null ? '' : ` ${serialNumber}`} in socket ${place}`;
    }
  }
}

/** All only grow. `writtenBytes` = carried on + `overrunBytes` + `unheardBytes` + what is in `backlogBytes`. */
export interface PortCounters {
  /** Given to `write`. */
  readonly writtenBytes: number;
  /** Dropped because the backlog was full: somebody has the port open and does not read. */
  readonly overrunBytes: number;
  /** Dropped because nobody had the port open, or it was unplugged. A UART does not wait for a listener either. */
  readonly unheardBytes: number;
  /** Came from the other side. */
  readonly receivedBytes: number;
}

export interface SimulatedPort {
  readonly address: PortAddress;
  readonly isPluggedIn: boolean;
  /** Sends, or drops the whole write and counts it; never waits, never throws. The bytes are the port's to keep. */
  write(bytes: Uint8Array): void;
  /** Accepted by `write` and not yet taken by the operating system, bytes. At most `maxBacklogBytes`. */
  readonly backlogBytes: number;
  readonly counters: PortCounters;
  /** Several listeners may listen; they hear what arrives after they came. */
  onData(listener: (bytes: Uint8Array) => void): void;
  /** Kills the far end at once, as pulling a plug does. Resolves when the address is gone. Idempotent. */
  unplug(): Promise<void>;
  /** The same address comes back. Idempotent. @throws TorsiondError SIM_NO_PTY or SERVER_ADDRESS when it cannot. */
  replug(): Promise<void>;
  /** Unplugs for good and leaves nothing behind. Idempotent. */
  close(): Promise<void>;
}

/** Default bound of a port's backlog, bytes: a third of a second at 800 kB/s, and small beside any memory. */
export const MAX_BACKLOG_BYTES = 256 * 1024;
