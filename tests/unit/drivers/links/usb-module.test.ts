import { mkdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { placeOfHidraw, systemHidSource } from '../../../../drivers/links/hid-module.ts';
import { openUsbLink } from '../../../../drivers/links/usb-link.ts';
import { systemUsbSource, UsbModuleDevice, type LibraryUsbDevice } from '../../../../drivers/links/usb-module.ts';
import type { UsbInResult, UsbSource } from '../../../../shared/usb-shapes.ts';
import { systemClock } from '../../../../shared/clock.ts';
import type { TorsiondError } from '../../../../shared/errors.ts';
import { tempFolder } from '../../../helpers/temp-folder.ts';

/** A device as the npm package `usb` gives it: errors with words, transfers that give up, nothing ended by `close`. */
class LibraryDevice implements LibraryUsbDevice {
  readonly vendorId = 0x1209;
  readonly productId = 0x0001;
  readonly bus = '003';
  readonly ports = [2, 1];
  readonly calls: string[] = [];
  /** What the transfers to come bring; then they wait. */
  readonly script: (UsbInResult | Error)[] = [];
  opened = false;
  pending = 0;
  /** What asking for the configuration says in place of it. */
  configurationError: Error | null = null;
  #giveUp: () => void = () => {};

  get serialNumber(): string {
    throw new Error('open error: permission denied');
  }

  get configuration(): NonNullable<LibraryUsbDevice['configuration']> {
    this.#assertIdle('configuration');
    if (this.configurationError) throw this.configurationError;
    const endpoints = [{ endpointNumber: 1, direction: 'in', type: 'bulk', packetSize: 64 }, { endpointNumber: 2, direction: 'out', type: 'bulk', packetSize: 64 }] as const;
    return { configurationValue: 1, interfaces: [{ interfaceNumber: 0, alternate: { alternateSetting: 0, interfaceClass: 255, endpoints } }] };
  }

  async open(): Promise<void> {
    this.opened = true;
  }

  async close(): Promise<void> {
    this.#assertIdle('close');
    this.calls.push('close');
    this.opened = false;
  }

  async selectConfiguration(): Promise<void> {
    this.#assertIdle('selectConfiguration');
    this.calls.push('select');
    this.configurationError = null;
  }

  async claimInterface(): Promise<void> {
    this.#assertIdle('claimInterface');
    this.calls.push('claim');
  }

  async releaseInterface(): Promise<void> {
    this.#assertIdle('releaseInterface');
    this.calls.push('release');
  }

  async transferIn(): Promise<UsbInResult> {
    const next = this.script.shift();
    if (next instanceof Error) throw next;
    if (next) return next;
    this.pending++;
    if (this.pending > 1) throw new Error('transferIn error: endpoint not found');
    await new Promise<void>((resolve) => {
      this.#giveUp = resolve;
    });
    this.pending--;
    throw new Error('transferIn error: Cancelled');
  }

  async transferOut(_endpoint: number, data: Uint8Array, limitMs: number): Promise<{ status: 'ok'; bytesWritten: number }> {
    this.calls.push(`out ${Buffer.from(data).toString()} ${limitMs}`);
    return { status: 'ok', bytesWritten: data.length };
  }

  async clearHalt(direction: string, endpoint: number): Promise<void> {
    this.calls.push(`clear ${direction} ${endpoint}`);
  }

  giveUp(): void {
    this.#giveUp();
  }

  #assertIdle(what: string): void {
    if (this.pending > 0) throw new Error(`${what}: The same native value cannot be borrowed mutably while another borrow is active`);
  }
}

const view = (text: string): DataView => {
  const bytes = Uint8Array.from(Buffer.from(text));
  return new DataView(bytes.buffer);
};
const turns = async (count = 5): Promise<void> => {
  for (let i = 0; i < count; i++) await new Promise((resolve) => setImmediate(resolve));
};
const codeOf = async (promise: Promise<unknown>): Promise<TorsiondError> => promise.then(
  () => { throw new Error('it was not refused'); },
  (error: unknown) => error as TorsiondError,
);

const OPTIONS = { vendorId: '1209', productId: '0001', place: '3-2.1', packetHeaderBytes: 0 };
const sourceOf = (library: LibraryDevice): Promise<UsbSource> => systemUsbSource({ platform: 'darwin', root: '/nowhere', load: async () => ({ WebUSB: class {
  async getDevices(): Promise<LibraryDevice[]> {
    return [library];
  }
} }) });

describe('USB devices of the library', () => {
  it('give up waiting and are asked anew, and their words become the standard\'s statuses and names', async () => {
    const library = new LibraryDevice();
    const device = new UsbModuleDevice(library);
    library.script.push(new Error('transferIn error: Cancelled'), { status: 'ok', data: view('12.5') });
    expect((await device.transferIn(1, 64)).data?.byteLength).toBe(4);
    library.script.push(new Error('transferIn error: Stall'), new Error('transferIn error: Overflow'), new Error('transferIn error: Disconnected'), new Error('transferIn error: Fault'));
    expect((await device.transferIn(1, 64)).status).toBe('stall');
    await device.clearHalt('in', 1);
    expect((await device.transferIn(1, 64)).status).toBe('babble');
    await expect(device.transferIn(1, 64)).rejects.toMatchObject({ name: 'NotFoundError', message: 'transferIn error: Disconnected' });
    await expect(device.transferIn(1, 64)).rejects.toMatchObject({ name: 'NetworkError' });
  });

  it('are asked for one packet at a time, in order, and for none while they are halted', async () => {
    const library = new LibraryDevice();
    const device = new UsbModuleDevice(library);
    library.script.push({ status: 'ok', data: view('1') }, new Error('transferIn error: Stall'), { status: 'ok', data: view('22') });
    const ends = await Promise.all([1, 2, 3].map(async () => {
      const { status, data } = await device.transferIn(1, 64);
      return [status, data?.byteLength];
    }));
    expect(ends).toEqual([['ok', 1], ['stall', undefined], ['stall', undefined]]);
    await device.clearHalt('in', 1);
    const waiting = [1, 2, 3, 4].map(() => device.transferIn(1, 64).then(({ data }) => data?.byteLength, (error: Error) => error.name));
    await turns();
    expect(library.pending).toBe(1);
    library.script.push({ status: 'ok', data: view('333') });
    library.giveUp();
    expect([await waiting[0], await waiting[1]]).toEqual([2, 3]);
    await turns();
    const closed = device.close();
    library.giveUp();
    await closed;
    expect(await Promise.all(waiting.slice(2))).toEqual(['AbortError', 'AbortError']);
  });

  it('are closed only when no transfer waits, with their interfaces', async () => {
    const library = new LibraryDevice();
    const device = new UsbModuleDevice(library);
    await device.open();
    await device.claimInterface(0);
    const waiting = Promise.all([1, 2, 3].map(() => device.transferIn(1, 64).catch((error: Error) => error.name)));
    await turns();
    const closed = device.close();
    await turns();
    expect([library.pending, library.calls]).toEqual([1, ['claim']]);
    library.giveUp();
    await closed;
    expect([await waiting, library.calls, library.opened]).toEqual([['AbortError', 'AbortError', 'AbortError'], ['claim', 'release', 'close'], false]);
  });

  it('are named by their socket, and a name that may not be read is none', () => {
    const device = new UsbModuleDevice(new LibraryDevice());
    expect([device.place, device.serialNumber, device.productName]).toEqual(['3-2.1', null, null]);
  });

  it('that have no configuration yet get one, and what else cannot be read refuses the link', async () => {
    const context = { clock: systemClock, signal: new AbortController().signal };
    const library = new LibraryDevice();
    library.configurationError = new Error('configuration error: device is not configured');
    const link = await openUsbLink(OPTIONS, await sourceOf(library), context);
    expect(library.calls).toEqual(['select', 'claim']);
    await turns();
    const closed = link.close();
    library.giveUp();
    await closed;
    library.configurationError = new Error('getString error: transfer was cancelled');
    expect(await codeOf(openUsbLink(OPTIONS, await sourceOf(library), context))).toMatchObject({ code: 'LINK_OPEN_FAILED', message: 'what the device has cannot be read: getString error: transfer was cancelled' });
    expect(library.opened).toBe(false);
  });

  it('carry a link', async () => {
    const library = new LibraryDevice();
    const source = await sourceOf(library);
    library.script.push({ status: 'ok', data: view('1;') }, new Error('transferIn error: Stall'), { status: 'ok', data: view('') }, { status: 'ok', data: view('2;') });
    const link = await openUsbLink(OPTIONS, source, { clock: systemClock, signal: new AbortController().signal });
    let heard = '';
    link.listen(({ data }) => { heard += Buffer.from(data).toString(); });
    await link.write(Buffer.from('START'));
    await turns();
    expect([heard, [...library.calls].sort()]).toEqual(['1;2;', ['claim', 'clear in 1', 'out START 2500']]);
    const closed = link.close();
    await turns();
    library.giveUp();
    await closed;
    expect(library.calls.slice(3)).toEqual(['release', 'close']);
  });
});

describe('what a machine may lack', () => {
  const never = async (): Promise<unknown> => {
    throw new Error('it was loaded');
  };

  it('without a USB bus the library is not even loaded', async () => {
    const folder = tempFolder();
    const error = await codeOf(systemUsbSource({ platform: 'linux', root: folder, load: never }));
    expect([error.code, error.message]).toEqual(['LINK_UNSUPPORTED', `this machine shows no USB bus: ${join(folder, 'sys/bus/usb')} is missing`]);
  });

  it.each([['usb', systemUsbSource], ['node-hid', systemHidSource]] as const)('without the package %s the way to get it is told', async (name, source) => {
    const folder = tempFolder();
    mkdirSync(join(folder, 'sys/bus/usb'), { recursive: true });
    const error = await codeOf(source({ platform: 'linux', root: folder, load: never }));
    expect([error.code, error.message]).toEqual(['LINK_UNSUPPORTED', `the optional package "${name}" is not installed, or does not load on this machine`]);
    expect(error.hint).toContain(`Run "npm install ${name}"`);
  });
});

describe('HID devices of the library', () => {
  it('need what the package itself loads late: without it the way to get it is told', async () => {
    const failing = (code: string): object => ({
      devicesAsync: () => Promise.reject(Object.assign(new Error('libusb-1.0.so.0: cannot open shared object file'), { code })), HIDAsync: {},
    });
    const error = await codeOf(systemHidSource({ platform: 'linux', root: tempFolder(), load: async () => failing('ERR_DLOPEN_FAILED') }));
    expect([error.code, error.hint]).toEqual(['LINK_UNSUPPORTED', expect.stringContaining('libusb-1.0')]);
    // A list that fails for another reason may work later.
    await expect(systemHidSource({ platform: 'linux', root: tempFolder(), load: async () => failing('EIO') })).resolves.toHaveProperty('devices');
  });

  it('are opened after their rights were looked at, and named by their socket', async () => {
    const folder = tempFolder();
    const device = join(folder, 'sys/devices/pci0000:00/usb1/1-2/1-2.3/1-2.3:1.0/0003:1209:0002.0001');
    mkdirSync(device, { recursive: true });
    mkdirSync(join(folder, 'sys/class/hidraw/hidraw0'), { recursive: true });
    mkdirSync(join(folder, 'dev'));
    symlinkSync(device, join(folder, 'sys/class/hidraw/hidraw0/device'));
    writeFileSync(join(folder, 'dev/hidraw0'), '');
    expect(await placeOfHidraw('/dev/hidraw0', folder)).toBe('1-2.3');
    expect(await placeOfHidraw('/dev/hidraw1', folder)).toBe(null);
    const opened: string[] = [];
    const library = { devicesAsync: async () => [], HIDAsync: { open: async (path: string) => void opened.push(path) } };
    const source = await systemHidSource({ platform: 'linux', root: folder, load: async () => ({ default: library }) });
    await source.open('/dev/hidraw0');
    expect([opened, await source.isThere!('/dev/hidraw0'), await source.isThere!('/dev/hidraw1')]).toEqual([['/dev/hidraw0'], true, false]);
  });
});
