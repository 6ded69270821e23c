/** Where the page gets ports from: the browser's Web Serial and its WebUSB, in one shape. */
import {
  isWantedUsbDevice, serialPortName, usbDeviceName, type PortGiven, type PortUsbDevice, type SerialLike, type SerialPortLike, type UsbDeviceShape, type UsbLike,
} from '../../shared/client/index.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';

/** What a port is known again by after a reload. */
export interface PortInfo {
  readonly usbVendorId?: number;
  readonly usbProductId?: number;
  readonly usbSerialNumber?: string;
}

export interface GrantedPort {
  /** The browser's object: the same for the same port, as long as it stays plugged in. */
  readonly key: object;
  readonly name: string;
  readonly info: PortInfo;
  /** For `forwardPort`. */
  readonly forward: PortGiven;
}

export interface PortSource {
  readonly kind: 'serial' | 'usb';
  /** In answer to a click: the browser asks which. @throws what the browser throws; NotFoundError when none was chosen */
  request(wanted: PortUsbDevice | null): Promise<GrantedPort>;
  granted(): Promise<readonly GrantedPort[]>;
  /** Whether the instrument may have it; the settings may have changed since it was chosen. */
  isFit(port: GrantedPort, wanted: PortUsbDevice | null): boolean;
  onConnect(listener: () => void): void;
}

/** Whether the instrument waits for something that a page has. */
export function isPageInstrument({ linkKind }: Pick<InstrumentInfo, 'linkKind'>): boolean {
  return linkKind === 'browser' || linkKind === 'browser-usb';
}

export function serialPorts(serial: SerialLike): PortSource {
  const granted = (port: SerialPortLike): GrantedPort => {
    const info = port.getInfo();
    const { usbVendorId, usbProductId } = info;
    return {
      key: port, name: serialPortName(info), forward: { port },
      info: { ...(usbVendorId === undefined ? {} : { usbVendorId }), ...(usbProductId === undefined ? {} : { usbProductId }) },
    };
  };
  return {
    kind: 'serial',
    request: async () => granted(await serial.requestPort()),
    granted: async () => (await serial.getPorts()).map(granted),
    isFit: () => true,
    onConnect: (listener) => serial.addEventListener('connect', listener),
  };
}

export function usbDevices(bus: UsbLike): PortSource {
  const granted = (device: UsbDeviceShape): GrantedPort => ({
    key: device, name: usbDeviceName(device), forward: { usb: { device, bus } },
    info: { usbVendorId: device.vendorId, usbProductId: device.productId, ...(device.serialNumber ? { usbSerialNumber: device.serialNumber } : {}) },
  });
  return {
    kind: 'usb',
    request: async (wanted) => granted(await bus.requestDevice({ filters: wanted ? [wanted] : [] })),
    granted: async () => (await bus.getDevices()).map(granted),
    isFit: ({ forward }, wanted) => 'usb' in forward && wanted !== null && isWantedUsbDevice(forward.usb.device, wanted),
    onConnect: (listener) => bus.addEventListener('connect', listener),
  };
}

export function isSameInfo(one: PortInfo, other: PortInfo): boolean {
  return one.usbVendorId === other.usbVendorId && one.usbProductId === other.usbProductId && one.usbSerialNumber === other.usbSerialNumber;
}
