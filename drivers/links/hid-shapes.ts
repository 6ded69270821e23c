/** What the HID link needs of a library: the shape of `devicesAsync` and `HIDAsync` of the npm package `node-hid`. */

export interface HidDeviceInfo {
  readonly vendorId: number;
  readonly productId: number;
  /** What `open` takes. */
  readonly path?: string | undefined;
  readonly serialNumber?: string | undefined;
  readonly product?: string | undefined;
  readonly usagePage?: number | undefined;
  readonly usage?: number | undefined;
}

export interface HidDeviceShape {
  /** An input report; its first byte is its number where the device numbers its reports. */
  on(event: 'data', listener: (report: Uint8Array) => void): unknown;
  /** The device is gone, or reading failed. */
  on(event: 'error', listener: (error: unknown) => void): unknown;
  /** An output report; its first byte is its number, 0 where the device does not number its reports. @returns bytes taken */
  write(report: Buffer): Promise<number>;
  close(): Promise<void>;
}

export interface HidSource {
  devices(): Promise<readonly HidDeviceInfo[]>;
  open(path: string): Promise<HidDeviceShape>;
  /** The socket that the device is plugged into, as `torsiond ports` names it, for example `1-2.3`. */
  placeOf?(device: HidDeviceInfo): Promise<string | null>;
  /** A sign of loss that needs no event. */
  isThere?(path: string): Promise<boolean>;
}
