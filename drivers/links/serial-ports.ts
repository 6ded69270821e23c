/** The serial ports of this machine, each by the name that stays the same when it is plugged in again. */
import { readFile, readdir, readlink, realpath } from 'node:fs/promises';
import { basename, join } from 'node:path';
import { describePortAccess, type PortAccess } from './port-access.ts';

export interface SerialPortEntry {
  /** What the settings should name: by-id where it is unique, else by-path, else the node. */
  readonly path: string;
  /** What the system calls it now; may be another one after re-plugging. */
  readonly node: string;
  readonly byId: readonly string[];
  readonly byPath: readonly string[];
  /** Fields are null where the system says nothing. */
  readonly usb: {
    readonly vendorId: string | null;
    readonly productId: string | null;
    readonly serialNumber: string | null;
    readonly manufacturer: string | null;
  } | null;
  /** Null where rights work in another way (Windows). */
  readonly access: PortAccess | null;
  /** How long a USB adapter gathers bytes before it hands them over, ms; null where it is not told. */
  readonly latencyTimerMs: number | null;
  /** True when another adapter claims the same by-id name; the socket it is plugged into is then its identity. */
  readonly sharesName: boolean;
}

export interface SerialPortList {
  readonly ports: readonly SerialPortEntry[];
  /** What a person should know: what could not be found out, and name clashes. */
  readonly notes: readonly string[];
}

/** What `SerialPort.list()` gives; every field but the path may be missing. */
export interface ListedPort {
  readonly path: string;
  readonly manufacturer?: string | undefined;
  readonly serialNumber?: string | undefined;
  readonly pnpId?: string | undefined;
  readonly vendorId?: string | undefined;
  readonly productId?: string | undefined;
}

export interface PortListSources {
  readonly list: () => Promise<readonly ListedPort[]>;
  /** Root of the file system with /dev, /sys and /etc. */
  readonly root: string;
}

const systemSources: PortListSources = {
  list: async () => (await import('serialport')).SerialPort.list(),
  root: '/',
};

/** Names under /dev that a serial adapter can have, for when the system's own list is not to be had. */
const NODE_NAME = /^tty(?:S|USB|ACM|AMA|XRUSB|mxc|O)\d+$|^rfcomm\d+$/;

/** Never throws: what cannot be found out is said in `notes`. */
export async function listSerialPorts(sources: PortListSources = systemSources): Promise<SerialPortList> {
  const { root } = sources;
  const notes: string[] = [];
  const [byId, byPath] = await Promise.all([linksIn(root, 'by-id'), linksIn(root, 'by-path')]);
  const listed = await listPorts(sources, notes);
  const nodes = new Set([...listed.map((port) => port.path), ...byId.keys(), ...byPath.keys()]);
  const real = (await Promise.all([...nodes].map(async (node) => ((await isBehind(root, node)) ? node : null)))).filter((node) => node !== null);

  const entries = await Promise.all(real.sort(byName).map(async (node): Promise<SerialPortEntry> => {
    const port = listed.find((candidate) => candidate.path === node);
    const ids = byId.get(node) ?? [];
    const paths = byPath.get(node) ?? [];
    const twin = port ? listed.find((other) => other !== port && real.includes(other.path) && isTwin(other, port)) : undefined;
    if (twin) notes.push(`${node} and ${twin.path} are adapters with the same by-id name; use ${paths[0] ?? node}: the socket is then the identity, so do not swap the plugs.`);
    return {
      node, byId: ids, byPath: paths,
      path: (twin ? undefined : ids[0]) ?? paths[0] ?? node,
      usb: port && (port.vendorId ?? port.productId ?? port.serialNumber) !== undefined
        ? { vendorId: port.vendorId ?? null, productId: port.productId ?? null, serialNumber: port.serialNumber ?? null, manufacturer: port.manufacturer ?? null }
        : null,
      access: process.platform === 'win32' ? null : await describePortAccess(join(root, node), join(root, 'etc')).catch(() => null),
      latencyTimerMs: await numberIn(join(root, 'sys/class/tty', basename(node), 'device/latency_timer')),
      sharesName: twin !== undefined,
    };
  }));
  return { ports: entries, notes };
}

async function listPorts({ list, root }: PortListSources, notes: string[]): Promise<readonly ListedPort[]> {
  try {
    return await list();
  } catch (thrown) {
    const isMissing = (thrown as NodeJS.ErrnoException).code === 'ENOENT' || String(thrown).includes('ENOENT');
    notes.push(isMissing
      ? 'udevadm is not installed, so maker, product and serial number of the adapters are unknown; ports are found by their names under /dev.'
      : `The system's list of ports is not to be had (${thrown instanceof Error ? thrown.message : String(thrown)}); ports are found by their names under /dev.`);
    const names = await readdir(join(root, 'dev')).catch(() => []);
    return names.filter((name) => NODE_NAME.test(name)).map((name) => ({ path: `/dev/${name}` }));
  }
}

/** Node to the stable names that lead to it. */
async function linksIn(root: string, folder: 'by-id' | 'by-path'): Promise<ReadonlyMap<string, readonly string[]>> {
  const path = join(root, 'dev/serial', folder);
  const found = new Map<string, string[]>();
  for (const name of (await readdir(path).catch(() => [])).sort()) {
    const target = await targetOf(root, join(path, name));
    if (target !== null) found.set(target, [...(found.get(target) ?? []), `/dev/serial/${folder}/${name}`]);
  }
  return found;
}

async function targetOf(root: string, link: string): Promise<string | null> {
  try {
    await readlink(link);
    const base = await realpath(root);
    const target = await realpath(link);
    return base === '/' ? target : target.slice(base.length);
  } catch {
    return null;
  }
}

/** The system has names for built-in ports that the machine does not have; their type is 0. */
async function isBehind(root: string, node: string): Promise<boolean> {
  if (!/^\/dev\/ttyS\d+$/.test(node)) return true;
  return (await numberIn(join(root, 'sys/class/tty', basename(node), 'type'))) !== 0;
}

async function numberIn(file: string): Promise<number | null> {
  const text = (await readFile(file, 'utf8').catch(() => '')).trim();
  return /^\d+$/.test(text) ? Number(text) : null;
}

function isTwin(a: ListedPort, b: ListedPort): boolean {
  if (a.pnpId !== undefined || b.pnpId !== undefined) return a.pnpId === b.pnpId;
  return a.vendorId !== undefined && a.vendorId === b.vendorId && a.productId === b.productId && a.serialNumber === b.serialNumber;
}

function byName(a: string, b: string): number {
  return a.localeCompare(b, 'en', { numeric: true });
}
