/** What a page gets of the simulated bus: `navigator.usb` with the devices that a person granted (W3C WebUSB). */
import type { UsbBus, UsbConnectionEvent } from './usb-bus.ts';
import type { SimulatedUsbDevice } from './usb-device.ts';

export interface SimulatedUsbFilter {
  readonly vendorId?: number | undefined;
  readonly productId?: number | undefined;
  readonly serialNumber?: string | undefined;
}

type Listener = (event: UsbConnectionEvent) => void;

/** What was chosen once is granted from then on: by its serial number, without one only until the plug is pulled. */
export class SimulatedUsb {
  readonly #bus: UsbBus;
  readonly #grants = new Set<SimulatedUsbDevice | string>();
  readonly #listeners = new Map<Listener, Listener>();
  /** What the person picks in the list that the browser shows; null: nothing. */
  choose: (devices: readonly SimulatedUsbDevice[]) => SimulatedUsbDevice | null = (devices) => devices[0] ?? null;

  /** @param granted before, as `getDevices` of the bus gives them */
  constructor(bus: UsbBus, granted: readonly SimulatedUsbDevice[] = []) {
    this.#bus = bus;
    for (const device of granted) this.#grants.add(grantOf(device));
  }

  async getDevices(): Promise<SimulatedUsbDevice[]> {
    return (await this.#bus.getDevices()).filter((device) => this.#isGranted(device));
  }

  async requestDevice({ filters }: { readonly filters: readonly SimulatedUsbFilter[] }): Promise<SimulatedUsbDevice> {
    const shown = (await this.#bus.getDevices()).filter((device) => filters.length === 0 || filters.some((filter) => isShown(device, filter)));
    const chosen = this.choose(shown);
    if (!chosen) throw new DOMException('No device selected.', 'NotFoundError');
    this.#grants.add(grantOf(chosen));
    return chosen;
  }

  addEventListener(type: 'connect' | 'disconnect', listener: Listener): void {
    const own: Listener = this.#listeners.get(listener) ?? ((event) => this.#isGranted(event.device) && listener(event));
    this.#listeners.set(listener, own);
    this.#bus.addEventListener(type, own);
  }

  removeEventListener(type: 'connect' | 'disconnect', listener: Listener): void {
    const own = this.#listeners.get(listener);
    if (own) this.#bus.removeEventListener(type, own);
  }

  #isGranted(device: SimulatedUsbDevice): boolean {
    return this.#grants.has(grantOf(device));
  }
}

function grantOf(device: SimulatedUsbDevice): SimulatedUsbDevice | string {
  const { vendorId, productId, serialNumber } = device;
  return serialNumber === null ? device : `${vendorId}:${productId}:${serialNumber}`;
}

function isShown(device: SimulatedUsbDevice, { vendorId, productId, serialNumber }: SimulatedUsbFilter): boolean {
  return (vendorId === undefined || vendorId === device.vendorId) && (productId === undefined || productId === device.productId)
    && (serialNumber === undefined || serialNumber === device.serialNumber);
}
