/** USB and HID devices as Linux shows them under /sys; nothing is opened and no package is needed for it. */
import { readFile, readdir, realpath, stat } from 'node:fs/promises';
import { basename, dirname, join } from 'node:path';
import { isWanted, type DeviceWanted } from './device-choice.ts';
import { placeOfHidraw } from './hid-module.ts';

export interface UsbDeviceEntry {
  readonly kind: 'usb' | 'hid';
  /** Four hexadecimal digits. */
  readonly vendorId: string | null;
  readonly productId: string | null;
  readonly manufacturer: string | null;
  readonly product: string | null;
  readonly serialNumber: string | null;
  /** What a program opens; null where it is not told. */
  readonly node: string | null;
  /** The socket on the bus, for example `1-2.3`; null: not on USB. */
  readonly place: string | null;
  /** USB: `on` keeps it awake, `auto` lets it sleep; null where it is not told. */
  readonly powerControl: string | null;
  /** Serial ports of this device: it is then for link kind `serial`. */
  readonly serialPorts: readonly string[];
  /** Another device of this kind has the same ids and serial number: the socket is then its identity. */
  readonly sharesName: boolean;
}

/** USB class of hubs; they are of no interest here. */
const HUB_CLASS = '09';

/** Never throws: what cannot be found out is said in `notes`. */
export async function listUsbDevices(root = '/'): Promise<{ readonly devices: readonly UsbDeviceEntry[]; readonly notes: readonly string[] }> {
  if (root === '/' && process.platform !== 'linux') return { devices: [], notes: ['USB and HID devices are listed on Linux only.'] };
  const [usb, hid] = await Promise.all([usbDevices(root), hidDevices(root)]);
  const notes = usb === null ? ['This system shows no USB bus (/sys/bus/usb is missing), as in many containers.'] : [];
  const all = [...(usb ?? []), ...hid];
  return { devices: all.map((device) => ({ ...device, sharesName: all.some((other) => other !== device && isTwin(other, device)) })), notes };
}

/**
 * Names the devices that the settings may mean, as they are now: node, owner and mode. Null: none is there.
 * @throws Error when the machine shows no USB bus, so that nothing can be told
 */
export async function usbDeviceStamp(kind: 'usb' | 'hid', wanted: DeviceWanted, root = '/'): Promise<string | null> {
  if (kind === 'usb') await stat(join(root, 'sys/bus/usb/devices'));
  const devices = kind === 'usb' ? (await usbDevices(root, wanted)) ?? [] : await hidDevices(root);
  const fitting = devices.filter(({ vendorId, productId, serialNumber, place }) => (
    isWanted({ vendorId: Number.parseInt(vendorId ?? '', 16), productId: Number.parseInt(productId ?? '', 16), serialNumber, place }, wanted)));
  const stamps = await Promise.all(fitting.map(async ({ node, place }) => {
    const facts = node === null ? null : await stat(join(root, node)).catch(() => null);
    return `${place} ${node} ${facts === null ? '' : [facts.ino, facts.uid, facts.gid, facts.mode].join(' ')}`;
  }));
  return stamps.length === 0 ? null : stamps.sort().join('; ');
}

type Listed = Omit<UsbDeviceEntry, 'sharesName'>;

/** @param wanted reads no more of devices with other ids */
async function usbDevices(root: string, wanted: DeviceWanted | null = null): Promise<readonly Listed[] | null> {
  const folder = join(root, 'sys/bus/usb/devices');
  const names = await readdir(folder).catch(() => null);
  if (names === null) return null;
  const serial = wanted === null ? await serialPortsByPlace(root) : new Map<string, string[]>();
  const found = await Promise.all(names.filter((name) => /^\d+-\d+(\.\d+)*$/.test(name)).sort(byName).map(async (name): Promise<Listed | null> => {
    const read = (file: string): Promise<string | null> => textOf(join(folder, name, file));
    const vendorId = await read('idVendor');
    const productId = await read('idProduct');
    if (wanted !== null && (vendorId !== wanted.vendorId.toLowerCase() || productId !== wanted.productId.toLowerCase())) return null;
    if ((await read('bDeviceClass')) === HUB_CLASS) return null;
    const [bus, device] = [await read('busnum'), await read('devnum')];
    return {
      kind: 'usb', vendorId, productId, manufacturer: await read('manufacturer'), product: await read('product'), serialNumber: await read('serial'),
      node: bus === null || device === null ? null : `/dev/bus/usb/${bus.padStart(3, '0')}/${device.padStart(3, '0')}`,
      place: name, powerControl: await read('power/control'), serialPorts: serial.get(name) ?? [],
    };
  }));
  return found.filter((device) => device !== null);
}

async function hidDevices(root: string): Promise<readonly Listed[]> {
  const folder = join(root, 'sys/class/hidraw');
  const names = await readdir(folder).catch(() => []);
  return Promise.all(names.sort(byName).map(async (name): Promise<Listed> => {
    const facts = new Map(((await textOf(join(folder, name, 'device/uevent'))) ?? '').split('\n').map((line) => line.split('=', 2) as [string, string]));
    const ids = /^[0-9A-Fa-f]+:0*([0-9A-Fa-f]{4}):0*([0-9A-Fa-f]{4})$/.exec(facts.get('HID_ID') ?? '');
    return {
      kind: 'hid', vendorId: ids?.[1]?.toLowerCase() ?? null, productId: ids?.[2]?.toLowerCase() ?? null, manufacturer: null,
      product: facts.get('HID_NAME') || null, serialNumber: facts.get('HID_UNIQ') || null, node: `/dev/${name}`,
      place: await placeOfHidraw(name, root), powerControl: null, serialPorts: [],
    };
  }));
}

async function serialPortsByPlace(root: string): Promise<ReadonlyMap<string, readonly string[]>> {
  const ports = new Map<string, string[]>();
  const names = await readdir(join(root, 'sys/class/tty')).catch(() => []);
  for (const name of names.sort(byName)) {
    const folder = await usbFolderOf(name, root);
    if (folder !== null) ports.set(basename(folder), [...(ports.get(basename(folder)) ?? []), `/dev/${name}`]);
  }
  return ports;
}

/** The USB device that a serial port hangs on, as a folder under /sys; null when there is none. */
export async function usbFolderOf(node: string, root = '/'): Promise<string | null> {
  let folder = await realpath(join(root, 'sys/class/tty', basename(node), 'device')).catch(() => null);
  for (let depth = 0; folder !== null && depth < 6; depth++, folder = dirname(folder)) {
    if ((await textOf(join(folder, 'idVendor'))) !== null) return folder;
  }
  return null;
}

export async function textOf(file: string): Promise<string | null> {
  const text = await readFile(file, 'utf8').catch(() => null);
  return text === null || text.trim() === '' ? null : text.trim();
}

function isTwin(a: Listed, b: Listed): boolean {
  return a.kind === b.kind && a.vendorId !== null && a.vendorId === b.vendorId && a.productId === b.productId && a.serialNumber === b.serialNumber;
}

function byName(a: string, b: string): number {
  return a.localeCompare(b, 'en', { numeric: true });
}
