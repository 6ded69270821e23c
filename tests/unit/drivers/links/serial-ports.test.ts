import { mkdirSync, mkdtempSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { listSerialPorts, type ListedPort } from '../../../../drivers/links/serial-ports.ts';

/** A machine made of files: plain files stand for device nodes. */
let root: string;
const put = (path: string, text = ''): void => {
  mkdirSync(dirname(join(root, path)), { recursive: true });
  writeFileSync(join(root, path), text);
};
const link = (path: string, target: string): void => {
  mkdirSync(dirname(join(root, path)), { recursive: true });
  symlinkSync(target, join(root, path));
};
const ports = (listed: readonly ListedPort[] | Error): ReturnType<typeof listSerialPorts> => listSerialPorts({
  root, list: async () => {
    if (listed instanceof Error) throw listed;
    return listed;
  },
});

beforeEach(() => {
  root = mkdtempSync(join(tmpdir(), 'torsiond-ports-'));
});
afterEach(() => rmSync(root, { recursive: true }));

describe('the serial ports', () => {
  it('are recommended by the name that survives re-plugging', async () => {
    put('dev/ttyUSB0');
    link('dev/serial/by-id/usb-Example_Adapter_A1-if00-port0', '../../ttyUSB0');
    link('dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0', '../../ttyUSB0');
    put('sys/class/tty/ttyUSB0/device/latency_timer', '16\n');
    const { ports: [port], notes } = await ports([{ path: '/dev/ttyUSB0', vendorId: '1209', productId: '0001', serialNumber: 'A1', pnpId: 'usb-Example_Adapter_A1-if00-port0' }]);
    expect(port).toMatchObject({
      path: '/dev/serial/by-id/usb-Example_Adapter_A1-if00-port0', node: '/dev/ttyUSB0', sharesName: false, latencyTimerMs: 16,
      byPath: ['/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0'],
      usb: { vendorId: '1209', productId: '0001', serialNumber: 'A1', manufacturer: null },
      access: { mayOpen: true },
    });
    expect(notes).toEqual([]);
  });

  it('that share a by-id name are recommended by their sockets, and it is said', async () => {
    put('dev/ttyUSB0');
    put('dev/ttyUSB1');
    link('dev/serial/by-id/usb-Example_Adapter-if00-port0', '../../ttyUSB1');
    link('dev/serial/by-path/socket-1', '../../ttyUSB0');
    link('dev/serial/by-path/socket-2', '../../ttyUSB1');
    const same = { pnpId: 'usb-Example_Adapter-if00-port0', vendorId: '1209', productId: '0001' };
    const { ports: found, notes } = await ports([{ path: '/dev/ttyUSB0', ...same }, { path: '/dev/ttyUSB1', ...same }]);
    expect(found.map((port) => [port.path, port.sharesName])).toEqual([['/dev/serial/by-path/socket-1', true], ['/dev/serial/by-path/socket-2', true]]);
    expect(notes.length).toBe(2);
    expect(notes[0]).toContain('same by-id name');
  });

  it('are still found without udevadm, and what is missing is said', async () => {
    put('dev/ttyACM0');
    put('dev/ttyUSB10');
    put('dev/ttyUSB9');
    put('dev/tty7');
    link('dev/serial/by-id/usb-Example-if00', '../../ttyACM0');
    const { ports: found, notes } = await ports(Object.assign(new Error('spawn udevadm ENOENT'), { code: 'ENOENT' }));
    expect(found.map((port) => port.path)).toEqual(['/dev/serial/by-id/usb-Example-if00', '/dev/ttyUSB9', '/dev/ttyUSB10']);
    expect(found.every((port) => port.usb === null)).toBe(true);
    expect(notes).toEqual([expect.stringContaining('udevadm')]);
  });

  it('that are only names of built-in ports the machine lacks are left out', async () => {
    put('dev/ttyS0');
    put('dev/ttyS1');
    put('sys/class/tty/ttyS0/type', '4\n');
    put('sys/class/tty/ttyS1/type', '0\n');
    expect((await ports([{ path: '/dev/ttyS0' }, { path: '/dev/ttyS1' }])).ports.map((port) => port.path)).toEqual(['/dev/ttyS0']);
  });

  it('are none on a machine without any, and nothing throws', async () => {
    expect(await ports([])).toEqual({ ports: [], notes: [] });
    expect((await ports(new Error('odd'))).notes[0]).toContain('odd');
  });

  it('of this machine can be listed', async () => {
    const { ports: found } = await listSerialPorts();
    for (const port of found) expect(port.path).toMatch(/^\/dev\/|^COM/);
  });
});
