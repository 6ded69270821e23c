/**
 * Imports a driver module that the settings file names. Whatever it imports as `torsiond/driver` is this gateway's own
 * entry, wherever the module lies and whatever is installed beside it: errors are told apart by their class, so there
 * must be one copy.
 */
import { registerHooks } from 'node:module';
import { pathToFileURL } from 'node:url';
import { dirname, resolve } from 'node:path';

const DRIVER_ENTRY = 'torsiond/driver';
/** Stands in the trace of what a module throws, and says nothing about it. */
export const IMPORTED_FROM = import.meta.url;

/** How modules of the list are asked for, so that the hook resolves them from the folder of the settings file. */
const LISTED = 'torsiond-listed:';

export type ImportedModule =
  | { readonly kind: 'imported'; readonly url: string; readonly exports: Readonly<Record<string, unknown>> }
  /** There is no such file or package, or it may not be imported by that name. */
  | { readonly kind: 'not-found'; readonly thrown: unknown }
  /** The module, or one that it imports, cannot be read or throws. */
  | { readonly kind: 'broken'; readonly url: string; readonly thrown: unknown };

const resolved = new Map<string, string>();
let isHooked = false;

/** @param name package name, or path from the folder of `settingsFile`. Never throws */
export async function importDriver(name: string, settingsFile: string): Promise<ImportedModule> {
  hookImports();
  const file = resolve(settingsFile);
  const specifier = `${LISTED}${encodeURIComponent(JSON.stringify([pathToFileURL(file).href, nameOf(name, dirname(file))]))}`;
  try {
    const exports = await import(specifier) as Record<string, unknown>;
    return { kind: 'imported', url: resolved.get(specifier)!, exports };
  } catch (thrown) {
    const url = resolved.get(specifier);
    return url === undefined ? { kind: 'not-found', thrown } : { kind: 'broken', url, thrown };
  }
}

/** Paths as addresses, so that signs such as # and % in them mean themselves. */
function nameOf(name: string, folder: string): string {
  return isPath(name) ? pathToFileURL(resolve(folder, name)).href : name;
}

export function isPath(name: string): boolean {
  return /^(\.{1,2}([\\/]|$)|\/|[a-z]:[\\/])/i.test(name);
}

function hookImports(): void {
  if (isHooked) return;
  isHooked = true;
  // Beside this file in the sources and in the built package alike, which run .ts and .js.
  const entry = new URL(`../../drivers/index${import.meta.url.endsWith('.ts') ? '.ts' : '.js'}`, import.meta.url).href;
  registerHooks({
    resolve: (specifier, context, next) => {
      if (specifier === DRIVER_ENTRY) return { url: entry, shortCircuit: true };
      if (!specifier.startsWith(LISTED)) return next(specifier, context);
      const [parentURL, name] = JSON.parse(decodeURIComponent(specifier.slice(LISTED.length))) as [string, string];
      const found = next(name, { ...context, parentURL });
      resolved.set(specifier, found.url);
      return found;
    },
  });
}
