/** `torsiond diagnose`: one text that is enough for a fault report, without secrets. */
import { readFile, statfs } from 'node:fs/promises';
import { arch, cpus, platform, release, totalmem, userInfo } from 'node:os';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { asTorsiondError } from '../../shared/errors.ts';
import { readGatewayNote } from '../gateway-note.ts';
import { withoutSecrets } from '../log.ts';
import { formatFault } from '../settings/settings-fault.ts';
import type { CommandContext, RegisterCommand } from './context.ts';
import { counted, DATA_OPTION, dataDirectory } from './options.ts';
import { portLines } from './ports.ts';
import { settingsFile } from './settings-file.ts';

interface DiagnoseOptions {
  readonly config?: string;
  readonly data?: string;
  readonly url?: string;
}

const ASK_LIMIT_MS = 2_000;
const MODULES = ['serialport', '@serialport/bindings-cpp', 'better-sqlite3', 'usb', 'node-hid', 'ws', 'fastify', 'rxjs', 'zod'];

export const registerDiagnose: RegisterCommand = (program, context, finish) => {
  program.command('diagnose')
    .summary('one text for a fault report')
    .description('Collects versions, ports, permissions, settings, the store and what a running gateway says of itself in one text. '
      + 'Tokens and passwords are left out; read it before you pass it on all the same. States and counters of a running gateway need a token in TORSIOND_TOKEN.')
    .option('--config <file>', 'settings file; default: torsiond.yaml in the data directory')
    .option(...DATA_OPTION)
    .option('--url <url>', 'where the gateway runs; default: where the gateway of the data directory answers, else the address in the settings')
    .action(finish(async (options: DiagnoseOptions) => {
      const settings = await settingsSection(options, context);
      const sections: readonly (readonly [string, () => Promise<readonly string[]>])[] = [
        ['torsiond', () => ownVersions(context)],
        ['machine', () => machine(context)],
        ['serial ports', ports],
        ['USB and HID devices', usb],
        ['settings', async () => settings.lines],
        ['store', () => store(options, context)],
        ['running gateway', () => running(options.url ?? readGatewayNote(dataDirectory(options.data, context.env))?.url ?? settings.url, context.env.TORSIOND_TOKEN)],
      ];
      for (const [title, collect] of sections) {
        await context.print(`== ${title}`);
        // One part that fails must not hide the others: this is for faulty machines.
        const lines = await collect().catch((thrown: unknown) => [`could not be found out: ${asTorsiondError(thrown).toLine()}`]);
        for (const line of lines) await context.print(withoutSecrets(line));
      }
      return 0;
    }));
};

async function ownVersions(context: CommandContext): Promise<readonly string[]> {
  const require = createRequire(import.meta.url);
  const versions = await Promise.all(MODULES.map(async (name) => {
    try {
      const folders = require.resolve.paths(name) ?? [];
      for (const folder of folders) {
        const text = await readFile(join(folder, name, 'package.json'), 'utf8').catch(() => null);
        if (text !== null) return `${name} ${(JSON.parse(text) as { version: string }).version}`;
      }
      return `${name} missing`;
    } catch {
      return `${name} unknown`;
    }
  }));
  return [`torsiond ${context.version}, Node ${process.versions.node} (${process.execPath})`, versions.join(', ')];
}

async function machine(context: CommandContext): Promise<readonly string[]> {
  const names = new Map(((await readFile('/etc/group', 'utf8').catch(() => ''))).split('\n').map((line) => line.split(':')).map((fields) => [Number(fields[2]), fields[0]!]));
  const groups = [...new Set(process.getgroups?.() ?? [])].map((id) => names.get(id) ?? String(id));
  const container = (await readFile('/run/.containerenv', 'utf8').catch(() => null)) !== null || (await readFile('/.dockerenv', 'utf8').catch(() => null)) !== null;
  return [
    `${platform()} ${release()} ${arch()}, ${counted(cpus().length, 'core')}, ${Math.round(totalmem() / 2 ** 20)} MiB${container ? ', in a container' : ''}`,
    `time ${new Date(context.clock.wallMs()).toISOString()}, zone ${Intl.DateTimeFormat().resolvedOptions().timeZone}`,
    `user ${userInfo().username}, groups ${groups.join(', ') || 'unknown'}`,
  ];
}

async function ports(): Promise<readonly string[]> {
  const [{ listSerialPorts }, { findPortHolders }, { textOf, usbFolderOf }] = await Promise.all([
    import('../../drivers/links/serial-ports.ts'), import('../../drivers/links/port-holder.ts'), import('../../drivers/links/usb-devices.ts'),
  ]);
  const { ports: list, notes } = await listSerialPorts();
  const lines = await Promise.all(list.map(async (port) => {
    const folder = await usbFolderOf(port.node);
    const control = folder === null ? null : await textOf(join(folder, 'power/control'));
    const holders = await findPortHolders(port.node);
    return [
      ...portLines(port),
      ...(port.access ? [`  ${port.access.mode} owner ${port.access.owner} group ${port.access.group}, may be opened: ${port.access.mayOpen ? 'yes' : 'no'}`] : []),
      ...(port.latencyTimerMs === null ? [] : [`  latency_timer ${port.latencyTimerMs} ms`]),
      ...(control === null ? [] : [`  power/control ${control}${control === 'auto' ? ' (may be sent to sleep; config/udev sets on)' : ''}`]),
      ...holders.map((holder) => `  open in process ${holder.pid} ${holder.name}`),
    ];
  }));
  return [...(list.length === 0 ? ['none'] : lines.flat()), ...notes];
}

async function usb(): Promise<readonly string[]> {
  const { listUsbDevices } = await import('../../drivers/links/usb-devices.ts');
  const { devices, notes } = await listUsbDevices();
  return [
    ...devices.map((device) => `${device.kind} ${device.vendorId}:${device.productId} ${[device.manufacturer, device.product].filter(Boolean).join(' ')}${device.powerControl === null ? '' : `, power/control ${device.powerControl}`}`),
    ...notes,
  ];
}

async function settingsSection(options: DiagnoseOptions, context: CommandContext): Promise<{ lines: readonly string[]; url: string | null }> {
  const file = settingsFile(options, context);
  if (file === null) return { lines: ['no settings file; all defaults hold'], url: null };
  try {
    const { readSettings } = await import('../settings/read-settings.ts');
    const { text, parsed: { settings, faults }, checks } = await readSettings(file);
    const outside = checks.outsideDrivers.map(({ definition, origin, file: from }) => `driver ${definition.id} from outside: ${origin} (${from})`);
    const url = settings === null ? null : `http://${settings.server.host.includes(':') ? `[${settings.server.host}]` : settings.server.host}:${settings.server.port}`;
    return { lines: [file, ...outside, ...faults.map((fault) => formatFault(file, fault)), ...withoutNotes(text).map((line) => `  ${line}`)], url };
  } catch (thrown) {
    return { lines: [asTorsiondError(thrown).toLine()], url: null };
  }
}

/** The settings without comments, which may say anything, and without what stands behind names that sound secret, to the end of the line. */
function withoutNotes(text: string): readonly string[] {
  return text.split('\n').filter((line) => !/^\s*(#.*)?$/.test(line))
    .map((line) => line.replace(/\s+#.*$/, '').replace(/((?:token|password|secret|passphrase)[\w-]*["']?\s*:\s*).*/gi, '$1[secret]').replace(/\/\/[^/@\s]+@/g, '//[secret]@'));
}

async function store(options: DiagnoseOptions, context: CommandContext): Promise<readonly string[]> {
  const directory = dataDirectory(options.data, context.env);
  const space = await statfs(directory).catch(() => null);
  const lines = [directory, ...(space === null ? [] : [`free ${Math.round((space.bavail * space.bsize) / 2 ** 20)} MiB of ${Math.round((space.blocks * space.bsize) / 2 ** 20)} MiB`])];
  try {
    const { openStoreReadOnly } = await import('../storage/open-store.ts');
    const opened = await openStoreReadOnly(directory);
    try {
      const [last] = await opened.readings({ order: 'newest', limit: 1 });
      lines.push(last ? `last reading ${last.reading.seq} of ${last.reading.startedAt}, channel ${last.reading.channel}` : 'no reading');
    } finally {
      await opened.close();
    }
  } catch (thrown) {
    lines.push(asTorsiondError(thrown, 'STORE_FAILED').toLine());
  }
  const { describeOwner } = await import('../storage/owner-lock.ts');
  const owner = describeOwner(directory);
  lines.push(owner === null ? 'no gateway runs on it' : `in use by ${owner}`);
  return lines;
}

/** What needs a token gets it from the environment, because arguments can be read by every user of the machine. */
async function running(url: string | null, token: string | undefined): Promise<readonly string[]> {
  const base = (url ?? 'http://127.0.0.1:7616').replace(/\/$/, '');
  const closed: string[] = [];
  const ask = async (path: string): Promise<readonly string[]> => {
    const answer = await fetch(base + path, {
      signal: AbortSignal.timeout(ASK_LIMIT_MS), ...(token === undefined ? {} : { headers: { authorization: `Bearer ${token}` } }),
    });
    if (answer.status !== 401) return [`${path} ${answer.status}`, ...answerLines(await answer.text())];
    closed.push(path);
    return [];
  };
  try {
    const lines: string[] = [base];
    for (const path of ['/healthz', '/readyz', '/api/v1/instruments', '/api/v1/channels', '/api/v1/scanners', '/metrics']) lines.push(...await ask(path));
    if (closed.length > 0) lines.push(`${closed.join(', ')}: a token is needed; set TORSIOND_TOKEN to one with scope read`);
    return lines;
  } catch (thrown) {
    const cause = (thrown as { cause?: { code?: string } }).cause?.code;
    return [`nothing answers at ${base}${cause ? ` (${cause})` : ''}`];
  }
}

/** A list one entry a line; text as it is, without its comments. */
function answerLines(text: string): readonly string[] {
  try {
    const [entries, ...more] = Object.values(JSON.parse(text) as Record<string, unknown>);
    if (Array.isArray(entries) && more.length === 0) return entries.map((entry) => JSON.stringify(entry));
  } catch {
    // Not JSON: the counters.
  }
  return text.trimEnd().split('\n').filter((line) => !line.startsWith('#'));
}
