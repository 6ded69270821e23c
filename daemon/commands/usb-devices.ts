/** USB and HID devices as Linux shows them under /sys; nothing is opened and no driver of them is needed. */
import { readFile, readdir, readlink } from 'node:fs/promises';
import { basename, join } from 'node:path';

export interface UsbDeviceEntry {
  readonly kind: 'usb' | 'hid';
  /** Four hexadecimal digits. */
  readonly vendorId: string | null;
  readonly productId: string | null;
  readonly manufacturer: string | null;
  readonly product: string | null;
  readonly serialNumber: string | null;
  /** HID: the device node. USB: place on the bus. */
  readonly node: string | null;
  /** USB: `on` keeps it awake, `auto` lets it sleep; null where it is not told. */
  readonly powerControl: string | null;
}

/** USB class of hubs; they are of no interest here. */
const HUB_CLASS = '09';

/** Never throws: what cannot be found out is said in `notes`. */
export async function listUsbDevices(root = '/'): Promise<{ readonly devices: readonly UsbDeviceEntry[]; readonly notes: readonly string[] }> {
  if (root === '/' && process.platform !== 'linux') return { devices: [], notes: ['USB and HID devices are listed on Linux only.'] };
  const [usb, hid] = await Promise.all([usbDevices(root), hidDevices(root)]);
  const notes = usb === null ? ['This system shows no USB bus (/sys/bus/usb is missing), as in many containers.'] : [];
  return { devices: [...(usb ?? []), ...hid], notes };
}

async function usbDevices(root: string): Promise<readonly UsbDeviceEntry[] | null> {
  const folder = join(root, 'sys/bus/usb/devices');
  const names = await readdir(folder).catch(() => null);
  if (names === null) return null;
  const found = await Promise.all(names.filter((name) => !name.includes(':') && !name.startsWith('usb')).sort(byName).map(async (name): Promise<UsbDeviceEntry | null> => {
    const read = (file: string): Promise<string | null> => textOf(join(folder, name, file));
    if ((await read('bDeviceClass')) === HUB_CLASS) return null;
    return {
      kind: 'usb', vendorId: await read('idVendor'), productId: await read('idProduct'), manufacturer: await read('manufacturer'),
      product: await read('product'), serialNumber: await read('serial'), node: name, powerControl: await read('power/control'),
    };
  }));
  return found.filter((device) => device !== null);
}

async function hidDevices(root: string): Promise<readonly UsbDeviceEntry[]> {
  const folder = join(root, 'sys/class/hidraw');
  const names = await readdir(folder).catch(() => []);
  return Promise.all(names.sort(byName).map(async (name): Promise<UsbDeviceEntry> => {
    const facts = new Map(((await textOf(join(folder, name, 'device/uevent'))) ?? '').split('\n').map((line) => line.split('=', 2) as [string, string]));
    const ids = /^[0-9A-Fa-f]+:0*([0-9A-Fa-f]{4}):0*([0-9A-Fa-f]{4})$/.exec(facts.get('HID_ID') ?? '');
    return {
      kind: 'hid', vendorId: ids?.[1]?.toLowerCase() ?? null, productId: ids?.[2]?.toLowerCase() ?? null, manufacturer: null,
      product: facts.get('HID_NAME') || null, serialNumber: facts.get('HID_UNIQ') || null, node: `/dev/${name}`, powerControl: null,
    };
  }));
}

/** The USB device that a serial port hangs on, as a folder under /sys; null when there is none. */
export async function usbFolderOf(node: string, root = '/'): Promise<string | null> {
  const link = join(root, 'sys/class/tty', basename(node), 'device');
  const target = await readlink(link).catch(() => null);
  if (target === null) return null;
  let folder = join(root, 'sys/class/tty', basename(node), target);
  for (let depth = 0; depth < 6; depth++, folder = join(folder, '..')) {
    if ((await textOf(join(folder, 'idVendor'))) !== null) return folder;
  }
  return null;
}

export async function textOf(file: string): Promise<string | null> {
  const text = await readFile(file, 'utf8').catch(() => null);
  return text === null || text.trim() === '' ? null : text.trim();
}

function byName(a: string, b: string): number {
  return a.localeCompare(b, 'en', { numeric: true });
}
