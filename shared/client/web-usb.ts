/** The part of the W3C WebUSB interface that a page needs beside a device; a browser's `navigator.usb` fits. */
import type { UsbConnectionEventShape, UsbDeviceShape } from '../usb-shapes.ts';
import type { PortUsbDevice } from '../wire/port-messages.ts';

export interface UsbFilter {
  readonly vendorId?: number;
  readonly productId?: number;
  readonly serialNumber?: string | undefined;
}

export interface UsbLike {
  getDevices(): Promise<UsbDeviceShape[]>;
  /** Only in answer to a click or a key. */
  requestDevice(options: { readonly filters: UsbFilter[] }): Promise<UsbDeviceShape>;
  addEventListener(type: 'connect' | 'disconnect', listener: (event: UsbConnectionEventShape) => void): void;
  removeEventListener(type: 'connect' | 'disconnect', listener: (event: UsbConnectionEventShape) => void): void;
}

/** A device that the browser granted, and where its plug is watched. */
export interface UsbDeviceAtPage {
  readonly device: UsbDeviceShape;
  readonly bus: Pick<UsbLike, 'addEventListener' | 'removeEventListener'>;
}

/** How a person recognises it, for example `USB 1209:0001, serial number HF-U0042`. */
export function usbDeviceName({ vendorId, productId, serialNumber }: Pick<UsbDeviceShape, 'vendorId' | 'productId' | 'serialNumber'>): string {
  const hex = (id: number): string => id.toString(16).padStart(4, '0');
  return `USB ${hex(vendorId)}:${hex(productId)}${serialNumber ? `, serial number ${serialNumber}` : ''}`;
}

export function isWantedUsbDevice(device: Pick<UsbDeviceShape, 'vendorId' | 'productId' | 'serialNumber'>, wanted: PortUsbDevice): boolean {
  return device.vendorId === wanted.vendorId && device.productId === wanted.productId
    && (wanted.serialNumber === undefined || device.serialNumber === wanted.serialNumber);
}
