/** HID devices through the npm package `node-hid`, an optional dependency that is loaded only when a setting asks for it. */
import { realpath, stat } from 'node:fs/promises';
import { basename, join } from 'node:path';
import { TorsiondError } from '../../shared/errors.ts';
import type { HidDeviceInfo, HidDeviceShape, HidSource } from './hid-shapes.ts';
import { describePortAccess, portAccessText } from './port-access.ts';

interface HidLibrary {
  devicesAsync(): Promise<readonly HidDeviceInfo[]>;
  readonly HIDAsync: { open(path: string): Promise<HidDeviceShape> };
}

export interface HidModuleParts {
  readonly load: () => Promise<unknown>;
  readonly platform: NodeJS.Platform;
  /** Root of the file system with /dev and /sys. */
  readonly root: string;
}

const PACKAGE: string = 'node-hid';
const systemParts: HidModuleParts = { load: () => import(PACKAGE), platform: process.platform, root: '/' };

/** @throws TorsiondError LINK_UNSUPPORTED when the package does not load */
export async function systemHidSource({ load, platform, root }: HidModuleParts = systemParts): Promise<HidSource> {
  const loaded = await load().catch((cause: unknown) => {
    throw notLoaded(cause);
  });
  // A CommonJS package: its exports are under `default` when its names cannot be seen from outside.
  const library = ('devicesAsync' in (loaded as object) ? loaded : (loaded as { default: unknown }).default) as HidLibrary;
  const isLinux = platform === 'linux';
  // The package loads its binary with the first list: without libusb-1.0 it imports well and fails there.
  await library.devicesAsync().catch((thrown: unknown) => {
    if ((thrown as NodeJS.ErrnoException | null)?.code === 'ERR_DLOPEN_FAILED') throw notLoaded(thrown);
  });
  return {
    devices: () => library.devicesAsync(),
    open: async (path) => {
      if (isLinux) await assertAccess(join(root, path), path);
      return library.HIDAsync.open(path);
    },
    ...(isLinux ? {
      placeOf: ({ path }: HidDeviceInfo) => (path === undefined ? Promise.resolve(null) : placeOfHidraw(path, root)),
      isThere: (path: string) => stat(join(root, path)).then(() => true, () => false),
    } : {}),
  };
}

function notLoaded(cause: unknown): TorsiondError {
  return new TorsiondError('LINK_UNSUPPORTED', 'the optional package "node-hid" is not installed, or does not load on this machine', {
    where: 'link.kind', cause, hint: 'Run "npm install node-hid" where torsiond is installed; on Linux it needs libudev and libusb-1.0.',
  });
}

/** The library's error does not say whose the device is. */
async function assertAccess(node: string, path: string): Promise<void> {
  const access = await describePortAccess(node).catch(() => null);
  if (access === null || access.mayOpen) return;
  throw new TorsiondError('LINK_PERMISSION', `no permission to open ${path}: ${portAccessText(access)}`, {
    where: path, hint: 'Install the udev rule for HID devices of config/udev with the ids of this device, then plug it in again.',
  });
}

/** The USB socket that a HID device node hangs on; null when it is not on USB. */
export async function placeOfHidraw(node: string, root = '/'): Promise<string | null> {
  const folder = await realpath(join(root, 'sys/class/hidraw', basename(node), 'device')).catch(() => '');
  return folder.split('/').findLast((name) => /^\d+-\d+(\.\d+)*$/.test(name)) ?? null;
}
