/** A USB bus with simulated devices: an object with the shape of `navigator.usb` (W3C WebUSB). */
import type { SimulatedUsbDevice } from './usb-device.ts';

export interface UsbConnectionEvent {
  readonly type: 'connect' | 'disconnect';
  readonly device: SimulatedUsbDevice;
}

type Listener = (event: UsbConnectionEvent) => void;

export class UsbBus {
  readonly #devices = new Map<SimulatedUsbDevice, string>();
  readonly #listeners = { connect: new Set<Listener>(), disconnect: new Set<Listener>() };

  /** Devices that are plugged in; the same object each time, a new one after replugging. */
  getDevices(): Promise<SimulatedUsbDevice[]> {
    return Promise.resolve([...this.#devices.keys()]);
  }

  addEventListener(type: 'connect' | 'disconnect', listener: Listener): void {
    this.#listeners[type].add(listener);
  }

  removeEventListener(type: 'connect' | 'disconnect', listener: Listener): void {
    this.#listeners[type].delete(listener);
  }

  /** Not in the standard: the socket, for example `1-2`. */
  placeOf(device: SimulatedUsbDevice): string | null {
    return this.#devices.get(device) ?? null;
  }

  /** Number of listeners that did not go again. */
  get listenerCount(): number {
    return this.#listeners.connect.size + this.#listeners.disconnect.size;
  }

  attach(device: SimulatedUsbDevice, place: string): void {
    this.#devices.set(device, place);
    this.#tell({ type: 'connect', device });
  }

  detach(device: SimulatedUsbDevice): void {
    if (this.#devices.delete(device)) this.#tell({ type: 'disconnect', device });
  }

  #tell(event: UsbConnectionEvent): void {
    for (const listener of [...this.#listeners[event.type]]) listener(event);
  }
}
