/** Simulated HID devices, offered as the npm package `node-hid` offers real ones: a list, and devices that send events. */

export interface HidListEntry {
  readonly vendorId: number;
  readonly productId: number;
  readonly path: string;
  readonly serialNumber: string;
  readonly manufacturer: string;
  readonly product: string;
  readonly usagePage: number;
  readonly usage: number;
}

/** The device's inside. */
export interface HidFunction {
  readonly entry: HidListEntry;
  readonly place: string;
  /** The host opens it. @throws Error when it is refused */
  opened(device: SimulatedHidDevice): void;
  closed(device: SimulatedHidDevice): void;
  take(report: Uint8Array): Promise<number>;
}

type DataListener = (report: Uint8Array) => void;
type ErrorListener = (error: unknown) => void;

/** What a host has open. */
export class SimulatedHidDevice {
  readonly #inside: HidFunction;
  readonly #onData: DataListener[] = [];
  readonly #onError: ErrorListener[] = [];
  /** Reports that came before anybody listened. */
  #early: Uint8Array[] = [];
  #isOpen = true;

  constructor(inside: HidFunction) {
    this.#inside = inside;
  }

  on(event: 'data', listener: DataListener): this;
  on(event: 'error', listener: ErrorListener): this;
  on(event: 'data' | 'error', listener: DataListener | ErrorListener): this {
    if (event === 'error') this.#onError.push(listener as ErrorListener);
    else {
      this.#onData.push(listener);
      for (const report of this.#early.splice(0)) (listener)(report);
    }
    return this;
  }

  async write(report: Uint8Array): Promise<number> {
    if (!this.#isOpen) throw new TypeError('device has been closed');
    return this.#inside.take(Uint8Array.from(report));
  }

  async close(): Promise<void> {
    if (!this.#isOpen) return;
    this.#isOpen = false;
    this.#inside.closed(this);
  }

  /** An input report arrives at the host. */
  arrive(report: Uint8Array): void {
    if (!this.#isOpen) return;
    if (this.#onData.length === 0) this.#early.push(report);
    for (const listener of this.#onData) listener(report);
  }

  /** Reading fails, as it does when the plug is pulled. */
  fail(error: unknown): void {
    if (!this.#isOpen) return;
    for (const listener of this.#onError) listener(error);
  }
}

export class HidBus {
  readonly #devices = new Map<string, HidFunction>();

  async devices(): Promise<HidListEntry[]> {
    return [...this.#devices.values()].map((inside) => inside.entry);
  }

  async open(path: string): Promise<SimulatedHidDevice> {
    const inside = this.#devices.get(path);
    if (!inside) throw new Error(`cannot open device with path ${path}: No such file or directory`);
    const device = new SimulatedHidDevice(inside);
    inside.opened(device);
    return device;
  }

  async placeOf({ path }: { readonly path?: string | undefined }): Promise<string | null> {
    return this.#devices.get(path ?? '')?.place ?? null;
  }

  async isThere(path: string): Promise<boolean> {
    return this.#devices.has(path);
  }

  attach(inside: HidFunction): void {
    this.#devices.set(inside.entry.path, inside);
  }

  detach(inside: HidFunction): void {
    this.#devices.delete(inside.entry.path);
  }
}
