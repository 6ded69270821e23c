/** The part of the W3C Web Serial interface that is used here; a browser's `SerialPort` and `Serial` fit. */

export interface SerialPortInfo {
  readonly usbVendorId?: number;
  readonly usbProductId?: number;
  readonly bluetoothServiceClassId?: number | string;
}

export interface SerialOptions {
  readonly baudRate: number;
  readonly dataBits?: 7 | 8;
  readonly stopBits?: 1 | 2;
  readonly parity?: 'none' | 'even' | 'odd';
  readonly bufferSize?: number;
  readonly flowControl?: 'none' | 'hardware';
}

export interface SerialPortLike {
  /** Null while closed, and for ever after the device is gone; a new one after each read error that the port survives. */
  readonly readable: ReadableStream<Uint8Array> | null;
  readonly writable: WritableStream<Uint8Array> | null;
  open(options: SerialOptions): Promise<void>;
  close(): Promise<void>;
  getInfo(): SerialPortInfo;
  setSignals(signals: { dataTerminalReady?: boolean; requestToSend?: boolean; break?: boolean }): Promise<void>;
  addEventListener(type: 'connect' | 'disconnect', listener: () => void): void;
  removeEventListener(type: 'connect' | 'disconnect', listener: () => void): void;
}

export interface SerialLike {
  getPorts(): Promise<SerialPortLike[]>;
  /** Only in answer to a click or a key. */
  requestPort(): Promise<SerialPortLike>;
  addEventListener(type: 'connect' | 'disconnect', listener: (event: { readonly target: unknown }) => void): void;
}

/** What a person knows the port by: there is no better name to be had from a browser. */
export function serialPortName(info: SerialPortInfo): string {
  const hex = (id: number): string => id.toString(16).padStart(4, '0');
  if (info.usbVendorId !== undefined) return `USB ${hex(info.usbVendorId)}:${hex(info.usbProductId ?? 0)}`;
  return info.bluetoothServiceClassId === undefined ? 'serial port' : 'Bluetooth serial port';
}
