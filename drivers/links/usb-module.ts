/**
 * USB devices through the npm package `usb`, an optional dependency that is loaded only when a setting asks for it.
 * The package follows the standard but for these points, which are put right here (version 3.1.0, by its source):
 * - an endpoint serves one transfer at a time and refuses a second: those that wait are started one after the other;
 * - a transfer is given up after a time, with its bytes when it had only some: none is asked for more than one packet;
 * - a stall, a time-out, a lost device and one without a configuration are errors with words in place of statuses and names;
 * - `close` neither ends transfers nor lets go of interfaces, and nothing may be changed while a transfer waits;
 * - its events end the process where the bus cannot be watched: they are not used;
 * - it ends the process, or refuses to list, where Linux shows no bus: that is looked for first.
 */
import { stat } from 'node:fs/promises';
import { join } from 'node:path';
import { TorsiondError } from '../../shared/errors.ts';
import type { UsbConfigurationShape, UsbDeviceShape, UsbInResult, UsbOutResult, UsbSource } from '../../shared/usb-shapes.ts';

/** How long a transfer waits in the library before it is asked for anew, ms; so long may closing take. */
const WAIT_MS = 250;
/** More than a link waits itself, ms. */
const WRITE_WAIT_MS = 2_500;

/** A device as the library gives it. The time limits, in ms, are its own addition. */
export interface LibraryUsbDevice {
  readonly vendorId: number;
  readonly productId: number;
  readonly serialNumber?: string | null | undefined;
  readonly manufacturerName?: string | null | undefined;
  readonly productName?: string | null | undefined;
  readonly opened: boolean;
  readonly configuration?: UsbConfigurationShape | null | undefined;
  readonly bus?: string | undefined;
  readonly ports?: readonly number[] | undefined;
  open(): Promise<void>;
  close(): Promise<void>;
  selectConfiguration(value: number): Promise<void>;
  claimInterface(interfaceNumber: number): Promise<void>;
  releaseInterface(interfaceNumber: number): Promise<void>;
  transferIn(endpoint: number, length: number, limitMs: number): Promise<UsbInResult>;
  transferOut(endpoint: number, data: Uint8Array<ArrayBuffer>, limitMs: number): Promise<UsbOutResult>;
  clearHalt(direction: 'in' | 'out', endpoint: number): Promise<void>;
}

interface UsbLibrary {
  readonly WebUSB: new (options: { readonly allowAllDevices: true }) => { getDevices(): Promise<readonly LibraryUsbDevice[]> };
}

export interface UsbModuleParts {
  readonly load: () => Promise<unknown>;
  readonly platform: NodeJS.Platform;
  /** Root of the file system with /sys. */
  readonly root: string;
}

const PACKAGE: string = 'usb';
const systemParts: UsbModuleParts = { load: () => import(PACKAGE), platform: process.platform, root: '/' };

/** @throws TorsiondError LINK_UNSUPPORTED when the machine shows no USB bus or the package does not load */
export async function systemUsbSource({ load, platform, root }: UsbModuleParts = systemParts): Promise<UsbSource> {
  const bus = join(root, 'sys/bus/usb');
  if (platform === 'linux' && !(await stat(bus).catch(() => null))) {
    throw new TorsiondError('LINK_UNSUPPORTED', `this machine shows no USB bus: ${bus} is missing`, {
      where: 'link.kind', hint: 'In a container, hand the USB bus in; a device server (kind tcp or rfc2217) needs none.',
    });
  }
  const library = await load().catch((cause: unknown) => {
    throw new TorsiondError('LINK_UNSUPPORTED', 'the optional package "usb" is not installed, or does not load on this machine', {
      where: 'link.kind', cause, hint: 'Run "npm install usb" where torsiond is installed.',
    });
  });
  const usb = new (library as UsbLibrary).WebUSB({ allowAllDevices: true });
  return {
    getDevices: async () => (await usb.getDevices()).map((device) => new UsbModuleDevice(device)),
    placeOf: (device) => (device instanceof UsbModuleDevice ? device.place : null),
  };
}

export class UsbModuleDevice implements UsbDeviceShape {
  readonly #device: LibraryUsbDevice;
  readonly #claims = new Set<number>();
  readonly #transfers = new Set<Promise<unknown>>();
  /** By endpoint: settles when the last transfer that was asked for has ended. */
  readonly #lastIn = new Map<number, Promise<void>>();
  /** Endpoints to read from that stalled: nothing is asked of them until it is cleared. */
  readonly #halted = new Set<number>();
  #isEnding = false;

  constructor(device: LibraryUsbDevice) {
    this.#device = device;
  }

  get vendorId(): number {
    return this.#device.vendorId;
  }

  get productId(): number {
    return this.#device.productId;
  }

  get serialNumber(): string | null {
    return readable(() => this.#device.serialNumber);
  }

  get manufacturerName(): string | null {
    return readable(() => this.#device.manufacturerName);
  }

  get productName(): string | null {
    return readable(() => this.#device.productName);
  }

  get opened(): boolean {
    return this.#device.opened;
  }

  get configuration(): UsbConfigurationShape | null {
    try {
      return this.#device.configuration ?? null;
    } catch (thrown) {
      if (/not configured/i.test(String(thrown))) return null;
      throw thrown;
    }
  }

  /** As Linux names it, for example `1-2.3`; null where the library does not tell. */
  get place(): string | null {
    const { bus, ports } = this.#device;
    if (bus === undefined || ports === undefined || ports.length === 0) return null;
    return `${/^\d+$/.test(bus) ? Number(bus) : bus}-${ports.join('.')}`;
  }

  open(): Promise<void> {
    return this.#device.open();
  }

  async close(): Promise<void> {
    await this.#quiet();
    for (const interfaceNumber of this.#claims) await this.#device.releaseInterface(interfaceNumber).catch(() => {});
    this.#claims.clear();
    await this.#device.close();
  }

  selectConfiguration(value: number): Promise<void> {
    return this.#device.selectConfiguration(value);
  }

  async claimInterface(interfaceNumber: number): Promise<void> {
    await this.#device.claimInterface(interfaceNumber);
    this.#claims.add(interfaceNumber);
  }

  async releaseInterface(interfaceNumber: number): Promise<void> {
    await this.#quiet();
    this.#claims.delete(interfaceNumber);
    await this.#device.releaseInterface(interfaceNumber);
  }

  transferIn(endpoint: number, length: number): Promise<UsbInResult> {
    const before = this.#lastIn.get(endpoint) ?? Promise.resolve();
    const transfer = before.then(() => this.#transferIn(endpoint, length));
    this.#lastIn.set(endpoint, transfer.then(() => {}, () => {}));
    return transfer;
  }

  async #transferIn(endpoint: number, length: number): Promise<UsbInResult> {
    while (!this.#isEnding) {
      if (this.#halted.has(endpoint)) return { status: 'stall' };
      try {
        return await this.#tracked(this.#device.transferIn(endpoint, length, WAIT_MS));
      } catch (thrown) {
        const text = String(thrown);
        if (/stall/i.test(text)) this.#halted.add(endpoint);
        else if (/babble|overflow/i.test(text)) return { status: 'babble' };
        else if (!isTimeOut(text)) throw named(text);
      }
    }
    throw new DOMException('the transfer was given up', 'AbortError');
  }

  async transferOut(endpoint: number, data: Uint8Array<ArrayBuffer>): Promise<UsbOutResult> {
    if (this.#isEnding) throw new DOMException('the transfer was given up', 'AbortError');
    try {
      return await this.#tracked(this.#device.transferOut(endpoint, data, WRITE_WAIT_MS));
    } catch (thrown) {
      const text = String(thrown);
      if (/stall/i.test(text)) return { status: 'stall', bytesWritten: 0 };
      throw named(isTimeOut(text) ? `nothing was taken for ${WRITE_WAIT_MS} ms` : text);
    }
  }

  async clearHalt(direction: 'in' | 'out', endpoint: number): Promise<void> {
    await this.#tracked(this.#device.clearHalt(direction, endpoint));
    if (direction === 'in') this.#halted.delete(endpoint);
  }

  #tracked<T>(transfer: Promise<T>): Promise<T> {
    const done = transfer.finally(() => this.#transfers.delete(done));
    this.#transfers.add(done);
    return done;
  }

  /** No transfer begins any more, and those under way have ended. */
  async #quiet(): Promise<void> {
    this.#isEnding = true;
    while (this.#transfers.size > 0) await Promise.allSettled(this.#transfers);
  }
}

/** A name that the system does not keep is asked of the device, which needs rights. */
function readable(read: () => string | null | undefined): string | null {
  try {
    return read() ?? null;
  } catch {
    return null;
  }
}

function isTimeOut(text: string): boolean {
  return /cancel|time(d)?[ -]?out/i.test(text);
}

function named(text: string): DOMException {
  return new DOMException(text.replace(/^Error: /, ''), /disconnect/i.test(text) ? 'NotFoundError' : 'NetworkError');
}
