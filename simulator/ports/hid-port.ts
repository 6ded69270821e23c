/** A virtual instrument on HID: bytes in reports of a fixed size, and what can go wrong there. */
import { TorsiondError } from '../../shared/errors.ts';
import type { HidBus, HidFunction, SimulatedHidDevice } from './hid-bus.ts';
import { addressText, MAX_BACKLOG_BYTES, type PortCounters, type SimulatedPort, type UsbPortAddress } from './port.ts';
import { hex } from './usb-port.ts';

export interface HidPortOptions {
  bus: HidBus;
  /** Left out: 0x1209 and 0x0002, which pid.codes reserves for tests. */
  vendorId?: number;
  productId?: number;
  serialNumber?: string | null;
  place?: string;
  usagePage?: number;
  usage?: number;
  /** Bytes of a report, without its number; 64 when left out. */
  reportBytes?: number;
  /** 0: reports are not numbered. */
  reportId?: number;
  /** True: the first byte says how many of those after it count. False: whole reports, filled up with zeros. */
  hasLengthByte?: boolean;
}

export function openHidPort(options: HidPortOptions): HidPort {
  const port = new HidPort(options);
  port.plugIn();
  return port;
}

export class HidPort implements SimulatedPort {
  readonly #options: HidPortOptions;
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  readonly #reportBytes: number;
  readonly #reportId: number;
  readonly #hasLengthByte: boolean;
  readonly #inside: HidFunction;
  readonly #hosts = new Set<SimulatedHidDevice>();
  #queue: Uint8Array[] = [];
  #queuedBytes = 0;
  #isPluggedIn = false;
  #isClosed = false;
  #isPumpDue = false;
  #isOutHanging = false;
  #hanging: ((error: Error) => void)[] = [];
  #refusal: Error | null = null;
  #counters = { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };

  constructor(options: HidPortOptions) {
    this.#options = options;
    this.#reportBytes = options.reportBytes ?? 64;
    this.#reportId = options.reportId ?? 0;
    this.#hasLengthByte = options.hasLengthByte ?? true;
    if (this.#room < 1 || this.#room > 255) throw new TorsiondError('SIM_SCENARIO', 'a report has room for 1 to 255 bytes', { where: 'reportBytes' });
    const { vendorId = 0x1209, productId = 0x0002, serialNumber = 'HF-H0001', place = '1-1', usagePage = 0xff00, usage = 1 } = options;
    const path = `simulated/${place}`;
    this.#inside = {
      entry: { vendorId, productId, path, serialNumber: serialNumber ?? '', manufacturer: 'Hollin & Fenn (invented)', product: 'torque transducer', usagePage, usage },
      place,
      opened: (host) => {
        if (this.#refusal) throw this.#refusal;
        this.#hosts.add(host);
      },
      closed: (host) => {
        if (this.#hosts.delete(host) && this.#hosts.size === 0) this.#dropQueue();
      },
      take: (report) => this.#take(report),
    };
  }

  get address(): UsbPortAddress {
    const { vendorId = 0x1209, productId = 0x0002, serialNumber = 'HF-H0001', place = '1-1' } = this.#options;
    return { kind: 'hid', vendorId: hex(vendorId), productId: hex(productId), serialNumber, place };
  }

  get isPluggedIn(): boolean {
    return this.#isPluggedIn;
  }

  get backlogBytes(): number {
    return this.#queuedBytes;
  }

  get counters(): PortCounters {
    return { ...this.#counters };
  }

  write(bytes: Uint8Array): void {
    this.#counters.writtenBytes += bytes.length;
    if (this.#hosts.size === 0) {
      this.#counters.unheardBytes += bytes.length;
      return;
    }
    if (this.#queuedBytes + bytes.length > MAX_BACKLOG_BYTES) {
      this.#counters.overrunBytes += bytes.length;
      return;
    }
    this.#queuedBytes += bytes.length;
    for (let at = 0; at < bytes.length; at += this.#room) this.#queueReport(bytes.subarray(at, at + this.#room));
    this.#pumpSoon();
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  plugIn(): void {
    if (this.#isClosed) throw new TorsiondError('LINK_CLOSED', 'the virtual port is closed', { where: addressText(this.address) });
    if (this.#isPluggedIn) return;
    this.#isPluggedIn = true;
    this.#options.bus.attach(this.#inside);
  }

  async unplug(): Promise<void> {
    if (!this.#isPluggedIn) return;
    this.#isPluggedIn = false;
    this.#options.bus.detach(this.#inside);
    this.#dropQueue();
    for (const host of [...this.#hosts]) host.fail(new Error('could not read from HID device'));
    this.#hosts.clear();
    for (const reject of this.#hanging.splice(0)) reject(new Error('Cannot write to hid device'));
  }

  async replug(): Promise<void> {
    this.plugIn();
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.unplug();
  }

  /** A report of any content arrives at the host, its number included where the device has one. */
  sendReport(report: Uint8Array): void {
    for (const host of this.#hosts) host.arrive(report.slice());
  }

  /** The host may not open it from now on; null: it may. */
  refuse(error: Error | null): void {
    this.#refusal = error;
  }

  /** Whether what the host sends is never taken. */
  hangOut(isHanging: boolean): void {
    this.#isOutHanging = isHanging;
  }

  get #room(): number {
    return this.#reportBytes - (this.#hasLengthByte ? 1 : 0);
  }

  async #take(report: Uint8Array): Promise<number> {
    if (this.#isOutHanging) return new Promise((_, reject) => this.#hanging.push(reject));
    await new Promise((resolve) => setImmediate(resolve));
    if (!this.#isPluggedIn) throw new Error('Cannot write to hid device');
    if (report[0] !== this.#reportId || report.length !== 1 + this.#reportBytes) throw new Error(`Cannot write to hid device: a report of ${report.length - 1} bytes with number ${report[0]}`);
    const bytes = this.#hasLengthByte ? report.slice(2, 2 + report[1]!) : report.slice(1);
    this.#counters.receivedBytes += bytes.length;
    for (const listener of this.#listeners) listener(bytes);
    return report.length;
  }

  #queueReport(bytes: Uint8Array): void {
    const numbered = this.#reportId === 0 ? 0 : 1;
    const report = new Uint8Array(numbered + this.#reportBytes);
    if (numbered) report[0] = this.#reportId;
    if (this.#hasLengthByte) report[numbered] = bytes.length;
    report.set(bytes, numbered + (this.#hasLengthByte ? 1 : 0));
    this.#queue.push(report);
  }

  #dropQueue(): void {
    this.#counters.unheardBytes += this.#queuedBytes;
    this.#queuedBytes = 0;
    this.#queue = [];
  }

  #pumpSoon(): void {
    if (this.#isPumpDue) return;
    this.#isPumpDue = true;
    setImmediate(() => {
      this.#isPumpDue = false;
      const reports = this.#queue;
      this.#queue = [];
      this.#queuedBytes = 0;
      for (const report of reports) for (const host of [...this.#hosts]) host.arrive(report.slice());
    });
  }
}
