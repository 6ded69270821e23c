/** The drivers that a settings file lists: imported, checked, and named by where they come from. They run with the rights of the gateway. */
import { existsSync, statSync, writeSync } from 'node:fs';
import { dirname, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { DriverDefinition } from '../../drivers/api.ts';
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { describe, firstLine } from '../settings/explain-issue.ts';
import { checkExport } from './driver-shape.ts';
import { IMPORTED_FROM, importDriver, isPath, type ImportedModule } from './import-driver.ts';
import { packageOf } from './package-of.ts';
import { syntaxPlace } from './syntax-place.ts';

export interface OutsideDriver {
  readonly definition: DriverDefinition;
  /** Name and version of its package; where it has none, the entry of the list. */
  readonly origin: string;
  readonly file: string;
}

export interface LoadFault {
  /** 0-based, in the list. */
  readonly index: number;
  readonly message: string;
}

export interface LoadedDrivers {
  readonly drivers: readonly OutsideDriver[];
  readonly faults: readonly LoadFault[];
}

/** A module that waits for something that never comes must not keep the gateway from saying so. */
const LOAD_LIMIT_MS = 10_000;

/**
 * @param list package names, and paths from the folder of `settingsFile`; what is no text is told elsewhere
 * @param importModule for tests that bring their own. Never throws
 */
export async function loadOutsideDrivers(
  list: readonly unknown[], settingsFile: string, clock: Clock, importModule: typeof importDriver = importDriver,
): Promise<LoadedDrivers> {
  const drivers: OutsideDriver[] = [];
  const faults: LoadFault[] = [];
  const owners = new Map<string, string>(BUILT_IN_DRIVERS.map(({ id }) => [id, 'a driver of torsiond itself']));
  // One after another: they are code, and their order in the list is the order in which they run.
  for (const [index, entry] of list.entries()) {
    if (typeof entry !== 'string' || entry === '') continue;
    const say = (message: string): void => void faults.push({ index, message });
    if (/^[a-z][a-z0-9+.-]+:/i.test(entry)) {
      say(`is ${describe(entry)}; allowed is the name of a package, or a path that begins with ./, ../ or /`);
      continue;
    }
    const tellEnd = (): void => endedBy(entry, index, settingsFile);
    process.once('exit', tellEnd);
    const module = await withinLimit(importModule(entry, settingsFile), clock);
    process.off('exit', tellEnd);
    if (module === 'late') say(`${describe(entry)} was not loaded after ${LOAD_LIMIT_MS / 1_000} s; something in it waits`);
    else if (module.kind === 'not-found') say(notFound(entry, settingsFile, module.thrown));
    else if (module.kind === 'broken') say(`${describe(entry)} does not load: ${await reasonOf(module)}`);
    else {
      const { definitions, faults: misshapen } = checkExport(module.exports.default);
      for (const what of misshapen) say(`${describe(entry)}: ${what}`);
      const facts = packageOf(module.url);
      const origin = facts === null ? entry : `${facts.name} ${facts.version}`.trimEnd();
      for (const definition of definitions) {
        const owner = owners.get(definition.id);
        owners.set(definition.id, owner ?? `drivers[${index}]`);
        if (owner !== undefined) say(`${describe(entry)}: the driver ${describe(definition.id)} has the id of ${owner}; each id is allowed once`);
        else drivers.push({ definition, origin, file: module.url.startsWith('file:') ? fileURLToPath(module.url) : module.url });
      }
    }
  }
  return { drivers, faults };
}

/** A module that ends the process while it is loaded would pass for a clean end. */
function endedBy(entry: string, index: number, settingsFile: string): void {
  const error = new TorsiondError('DRIVER_LOAD', `drivers[${index}]: ${describe(entry)} ended the process while it was loaded`, { where: settingsFile });
  process.exitCode = error.facts.exit;
  writeSync(process.stderr.fd, `${error.toLine()}\n`);
}

async function withinLimit<T>(work: Promise<T>, clock: Clock): Promise<T | 'late'> {
  let cancel = (): void => {};
  const late = new Promise<'late'>((done) => (cancel = clock.after(LOAD_LIMIT_MS, () => done('late'))));
  try {
    return await Promise.race([work, late]);
  } finally {
    cancel();
  }
}

function notFound(entry: string, settingsFile: string, thrown: unknown): string {
  const folder = dirname(resolve(settingsFile));
  const file = resolve(folder, entry);
  const isFolder = statSync(file, { throwIfNoEntry: false })?.isDirectory() === true;
  if (isPath(entry)) {
    if (isFolder) return `${describe(entry)} is a folder; the file of the driver in it is needed`;
    return existsSync(file) ? `${describe(entry)} cannot be imported: ${firstLine(thrown)}` : `there is no file ${file}`;
  }
  if (entry.startsWith('~')) return `${describe(entry)} begins with ~, which stands for nothing here; write the path from / or ./`;
  // What exists but may not be imported by that name says so itself.
  if ((thrown as { code?: unknown } | null)?.code !== 'ERR_MODULE_NOT_FOUND') return `${describe(entry)} cannot be imported: ${firstLine(thrown)}`;
  const meant = existsSync(file) && !isFolder ? `; did you mean "./${entry}"?` : installable(entry);
  return `there is no package ${describe(entry)} in node_modules of ${folder} or above it${meant}`;
}

/** Nothing but the name of a package: what else `npm install` takes would bring something else. */
function installable(entry: string): string {
  const name = /^(@[a-z0-9._-]+\/)?[a-z0-9][a-z0-9._-]*(?=\/|$)/.exec(entry)?.[0];
  return name === undefined ? '' : `; install it there: npm install ${name}`;
}

/** The first line of what was thrown, and where in the driver that was, as far as it is told. */
async function reasonOf({ thrown, url }: Extract<ImportedModule, { kind: 'broken' }>): Promise<string> {
  const places = thrown instanceof Error ? [...(thrown.stack ?? '').matchAll(/(file:\/\/\/[^\s)?]+?)(?:\?[^\s):]*)?:(\d+)/g)] : [];
  const place = places.find(([, from]) => from !== IMPORTED_FROM);
  if (place) return `${firstLine(thrown)} (${fileURLToPath(place[1]!)}:${place[2]})`;
  if (!(thrown instanceof SyntaxError) || !url.startsWith('file:')) return firstLine(thrown);
  return `${firstLine(thrown)} (${(await syntaxPlace(thrown, fileURLToPath(url))) ?? 'in a module that it imports'})`;
}
