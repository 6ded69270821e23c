/** How a serial port is opened; the fields of `link` in the settings. */
export interface SerialLinkOptions {
  /** `/dev/serial/by-id/…` where there is one, else the port's path. */
  readonly path: string;
  readonly baudRate: number;
  readonly dataBits: 7 | 8;
  readonly parity: 'none' | 'even' | 'odd';
  readonly stopBits: 1 | 2;
  /** Hardware flow control. */
  readonly rtscts: boolean;
  /** Software flow control, both ways. */
  readonly xon: boolean;
  /** Set after opening; null: left as the operating system sets it. */
  readonly dtr: boolean | null;
  readonly rts: boolean | null;
}
