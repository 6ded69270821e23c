import { mkdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { deviceLines } from '../../../daemon/commands/ports.ts';
import { LinkSettings } from '../../../daemon/settings/schema.ts';
import { listUsbDevices, usbDeviceStamp, usbFolderOf } from '../../../drivers/links/usb-devices.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';
import { parse } from 'yaml';

/** A machine's /sys and /dev, as far as devices are looked for there. */
function machine() {
  const root = tempFolder();
  const write = (path: string, text: string): void => {
    mkdirSync(dirname(join(root, path)), { recursive: true });
    writeFileSync(join(root, path), `${text}\n`);
  };
  const link = (from: string, to: string): void => {
    mkdirSync(dirname(join(root, from)), { recursive: true });
    symlinkSync(join(root, to), join(root, from));
  };
  const usb = (place: string, facts: Record<string, string>): void => {
    const folder = `sys/devices/pci0000:00/usb1/${place}`;
    for (const [file, text] of Object.entries({ bDeviceClass: '00', busnum: '1', ...facts })) write(`${folder}/${file}`, text);
    link(`sys/bus/usb/devices/${place}`, folder);
    write(`dev/bus/usb/001/00${facts['devnum']}`, '');
  };
  const hid = (name: string, place: string, ids: string, unique: string): void => {
    const folder = `sys/devices/pci0000:00/usb1/${place}/${place}:1.0/0003:X.0001`;
    write(`${folder}/uevent`, `HID_ID=${ids}\nHID_NAME=torque transducer\nHID_UNIQ=${unique}`);
    mkdirSync(join(root, 'sys/class/hidraw', name), { recursive: true });
    link(`sys/class/hidraw/${name}/device`, folder);
    write(`dev/${name}`, '');
  };
  return { root, write, link, usb, hid };
}

const IDS = { idVendor: '1209', idProduct: '0001' };

describe('torsiond ports', () => {
  it('gives each USB and HID device the link that the settings take, and marks serial ports', async () => {
    const { root, write, link, usb, hid } = machine();
    usb('1-1', { ...IDS, devnum: '4', serial: 'HF-U0007', product: 'torque transducer', manufacturer: 'Hollin & Fenn (invented)' });
    usb('1-2', { idVendor: '1209', idProduct: '0005', devnum: '5' });
    usb('1-3', { idVendor: '1209', idProduct: '0009', devnum: '6', bDeviceClass: '09' });
    write('sys/devices/pci0000:00/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0/dev', '188:0');
    link('sys/devices/pci0000:00/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0/device', 'sys/devices/pci0000:00/usb1/1-2/1-2:1.0/ttyUSB0');
    link('sys/class/tty/ttyUSB0', 'sys/devices/pci0000:00/usb1/1-2/1-2:1.0/ttyUSB0/tty/ttyUSB0');
    hid('hidraw3', '1-4', '0003:00001209:00000002', '');
    const { devices, notes } = await listUsbDevices(root);
    expect(devices.flatMap(deviceLines)).toEqual([
      'USB 1209:0001 Hollin & Fenn (invented) torque transducer, serial number HF-U0007, socket 1-1, /dev/bus/usb/001/004',
      '  link: { kind: usb, vendorId: \'1209\', productId: \'0001\', serialNumber: "HF-U0007" }',
      'USB 1209:0005 no name, socket 1-2, /dev/bus/usb/001/005',
      '  is the serial port /dev/ttyUSB0: use link kind serial',
      'HID 1209:0002 torque transducer, socket 1-4, /dev/hidraw3',
      '  link: { kind: hid, vendorId: \'1209\', productId: \'0002\', place: "1-4" }',
    ]);
    expect(notes).toEqual([]);
    expect(await usbFolderOf('/dev/ttyUSB0', root)).toBe(join(root, 'sys/devices/pci0000:00/usb1/1-2'));
    for (const line of devices.flatMap(deviceLines).filter((text) => text.startsWith('  link:'))) {
      expect(LinkSettings.safeParse((parse(line) as { link: unknown }).link).success).toBe(true);
    }
  });

  it('tells twins apart by their sockets', async () => {
    const { root, usb } = machine();
    usb('1-1', { ...IDS, devnum: '4', serial: '0001' });
    usb('1-2.1', { ...IDS, devnum: '5', serial: '0001' });
    const { devices } = await listUsbDevices(root);
    expect(devices.map((device) => deviceLines(device)[1])).toEqual(['1-1', '1-2.1'].map((place) => `  link: { kind: usb, vendorId: '1209', productId: '0001', place: "${place}" }`));
    expect(deviceLines(devices[0]!)[2]).toContain('do not swap the plugs');
  });
});

describe('whether a device is there', () => {
  const wanted = { vendorId: '1209', productId: '0001' };

  it('is told by ids, serial number and socket, and a device that was plugged in again is another one', async () => {
    const { root, usb, write } = machine();
    usb('1-1', { ...IDS, devnum: '4', serial: 'HF-A' });
    const first = await usbDeviceStamp('usb', wanted, root);
    expect(first).toContain('1-1 /dev/bus/usb/001/004');
    expect(await usbDeviceStamp('usb', { ...wanted, serialNumber: 'HF-A', place: '1-1' }, root)).toBe(first);
    for (const other of [{ ...wanted, serialNumber: 'HF-B' }, { ...wanted, place: '1-2' }, { ...wanted, productId: '00ff' }]) {
      expect(await usbDeviceStamp('usb', other, root)).toBe(null);
    }
    write('sys/devices/pci0000:00/usb1/1-1/devnum', '9');
    expect(await usbDeviceStamp('usb', wanted, root)).not.toBe(first);
  });

  it('is not known where the machine shows no USB bus; a HID device is then not there', async () => {
    const { root } = machine();
    await expect(usbDeviceStamp('usb', wanted, root)).rejects.toThrow('ENOENT');
    expect(await usbDeviceStamp('hid', wanted, root)).toBe(null);
  });

  it('is told of HID devices too', async () => {
    const { root, hid } = machine();
    hid('hidraw0', '1-2', '0003:00001209:00000001', 'HF-H1');
    expect(await usbDeviceStamp('hid', { ...wanted, serialNumber: 'HF-H1', place: '1-2' }, root)).toContain('1-2 /dev/hidraw0');
  });
});
