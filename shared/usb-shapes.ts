/**
 * The part of the W3C WebUSB standard that is used here, with the standard's names: what a browser's
 * `navigator.usb` offers, what a library offers in its place, and what a simulated device offers in a test.
 */

export interface UsbEndpointShape {
  readonly endpointNumber: number;
  readonly direction: 'in' | 'out';
  readonly type: 'bulk' | 'interrupt' | 'isochronous' | 'control';
  /** Largest packet, bytes. */
  readonly packetSize: number;
}

export interface UsbAlternateShape {
  readonly alternateSetting: number;
  readonly interfaceClass: number;
  readonly endpoints: readonly UsbEndpointShape[];
}

export interface UsbInterfaceShape {
  readonly interfaceNumber: number;
  /** The setting that is selected now. */
  readonly alternate: UsbAlternateShape;
}

export interface UsbConfigurationShape {
  readonly configurationValue: number;
  readonly interfaces: readonly UsbInterfaceShape[];
}

export interface UsbInResult {
  /** `stall`: the endpoint refuses until its halt is cleared. `babble`: the device sent more than was asked for. */
  readonly status: 'ok' | 'stall' | 'babble';
  readonly data?: DataView | null | undefined;
}

export interface UsbOutResult {
  readonly status: 'ok' | 'stall' | 'babble';
  readonly bytesWritten: number;
}

/** Every promise rejects with an error whose `name` the standard gives: NetworkError, NotFoundError, AbortError … */
export interface UsbDeviceShape {
  readonly vendorId: number;
  readonly productId: number;
  readonly serialNumber?: string | null | undefined;
  readonly manufacturerName?: string | null | undefined;
  readonly productName?: string | null | undefined;
  readonly opened: boolean;
  /** Null until one is selected; not to be had before `open` with every library. */
  readonly configuration?: UsbConfigurationShape | null | undefined;
  open(): Promise<void>;
  /** Gives up transfers that are under way. */
  close(): Promise<void>;
  selectConfiguration(configurationValue: number): Promise<void>;
  claimInterface(interfaceNumber: number): Promise<void>;
  releaseInterface(interfaceNumber: number): Promise<void>;
  transferIn(endpointNumber: number, length: number): Promise<UsbInResult>;
  transferOut(endpointNumber: number, data: Uint8Array<ArrayBuffer>): Promise<UsbOutResult>;
  clearHalt(direction: 'in' | 'out', endpointNumber: number): Promise<void>;
}

export interface UsbConnectionEventShape {
  readonly device: UsbDeviceShape;
}

/** Where devices come from: the shape of `navigator.usb`. */
export interface UsbSource {
  getDevices(): Promise<readonly UsbDeviceShape[]>;
  /** Left out where a source cannot tell; a loss then shows at the next transfer, and by the look at the bus. */
  addEventListener?(type: 'connect' | 'disconnect', listener: (event: UsbConnectionEventShape) => void): void;
  removeEventListener?(type: 'connect' | 'disconnect', listener: (event: UsbConnectionEventShape) => void): void;
  /** Not in the standard: the socket that the device is plugged into, as `torsiond ports` names it, for example `1-2.3`. */
  placeOf?(device: UsbDeviceShape): string | null;
}
