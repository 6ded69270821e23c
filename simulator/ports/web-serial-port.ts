/** A virtual serial port for pages: the device's side of `web-serial-device.ts`, and `navigator.serial` to find it by. */
import { TorsiondError } from '../../shared/errors.ts';
import type { PortAddress, PortCounters, SimulatedPort } from './port.ts';
import { WebSerialPort, type ReadErrorName } from './web-serial-device.ts';

export interface WebSerialPortOptions {
  /** As `getInfo` tells; left out: a port that is not on USB. */
  readonly usbVendorId?: number;
  readonly usbProductId?: number;
}

export function openWebSerialPort(options: WebSerialPortOptions = {}): WebSerialSimulatedPort {
  return new WebSerialSimulatedPort(options);
}

export class WebSerialSimulatedPort implements SimulatedPort {
  /** What a page gets. The same object all its life, also after the plug was pulled. */
  readonly port: WebSerialPort;
  readonly address: PortAddress;
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  readonly #openListeners: ((isOpen: boolean) => void)[] = [];
  #isPluggedIn = true;
  #isClosed = false;
  #isDeaf = false;
  #signals = { dataTerminalReady: false, requestToSend: false, break: false };
  #counters = { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };

  constructor(options: WebSerialPortOptions) {
    const { usbVendorId, usbProductId } = options;
    this.address = { kind: 'web-serial', name: usbVendorId === undefined ? 'web serial port' : `web serial ${usbVendorId.toString(16)}:${(usbProductId ?? 0).toString(16)}` };
    this.port = new WebSerialPort({
      isPresent: () => this.#isPluggedIn,
      write: (bytes) => this.#take(bytes),
      onOpen: (isOpen) => {
        for (const listener of this.#openListeners) listener(isOpen);
      },
      onDiscarded: (bytes) => (this.#counters.unheardBytes += bytes),
      onSignals: (signals) => (this.#signals = { ...signals }),
    }, { ...(usbVendorId === undefined ? {} : { usbVendorId }), ...(usbProductId === undefined ? {} : { usbProductId }) });
  }

  get isPluggedIn(): boolean {
    return this.#isPluggedIn;
  }

  get backlogBytes(): number {
    return this.port.waitingBytes;
  }

  get counters(): PortCounters {
    return { ...this.#counters };
  }

  /** As the page set them. */
  get signals(): { readonly dataTerminalReady: boolean; readonly requestToSend: boolean; readonly break: boolean } {
    return this.#signals;
  }

  /** A write that does not fit the buffer the page opened the port with loses its end, and the page gets BufferOverrunError. */
  write(bytes: Uint8Array): void {
    this.#counters.writtenBytes += bytes.length;
    if (!this.port.isOpen || !this.#isPluggedIn) this.#counters.unheardBytes += bytes.length;
    else this.#counters.overrunBytes += this.port.receive(bytes);
  }

  /** One of the read errors that a port outlives, at this place among the bytes. */
  fail(name: ReadErrorName): void {
    this.port.fail(name);
  }

  /** While deaf, what the page writes is never taken. */
  beDeaf(isDeaf: boolean): void {
    this.#isDeaf = isDeaf;
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  /** Told when the page opens and closes the port. */
  onOpen(listener: (isOpen: boolean) => void): void {
    this.#openListeners.push(listener);
  }

  async unplug(): Promise<void> {
    if (!this.#isPluggedIn) return;
    this.#isPluggedIn = false;
    this.port.vanish();
  }

  async replug(): Promise<void> {
    if (this.#isClosed) throw new TorsiondError('LINK_CLOSED', 'the virtual port is closed', { where: 'web serial' });
    if (this.#isPluggedIn) return;
    this.#isPluggedIn = true;
    this.port.dispatchEvent(new Event('connect'));
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.unplug();
  }

  async #take(bytes: Uint8Array): Promise<void> {
    if (this.#isDeaf) return new Promise(() => {});
    this.#counters.receivedBytes += bytes.length;
    for (const listener of this.#listeners) listener(bytes);
  }
}

/** `navigator.serial` with these ports. A page gets what a person chose; what was chosen once is granted from then on. */
export class SimulatedSerial extends EventTarget {
  readonly #ports: readonly WebSerialPort[];
  readonly #granted: Set<WebSerialPort>;
  /** What the person picks in the list that the browser shows; null: nothing. */
  choose: (ports: readonly WebSerialPort[]) => WebSerialPort | null = (ports) => ports[0] ?? null;

  constructor(ports: readonly WebSerialPort[], granted: readonly WebSerialPort[] = []) {
    super();
    this.#ports = ports;
    this.#granted = new Set(granted);
    for (const port of ports) {
      for (const kind of ['connect', 'disconnect']) {
        // The standard has these events rise from the port to here; an EventTarget has no parents, so they are passed on.
        port.addEventListener(kind, () => {
          if (this.#granted.has(port)) this.dispatchEvent(Object.defineProperty(new Event(kind), 'target', { value: port }));
        });
      }
    }
  }

  async getPorts(): Promise<WebSerialPort[]> {
    return [...this.#granted].filter((port) => port.connected);
  }

  async requestPort(): Promise<WebSerialPort> {
    const chosen = this.choose(this.#ports.filter((port) => port.connected));
    if (!chosen) throw new DOMException('No port selected by the user.', 'NotFoundError');
    this.#granted.add(chosen);
    return chosen;
  }
}
