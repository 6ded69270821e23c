/** Which package a module belongs to. */
import { readFileSync } from 'node:fs';
import { basename, dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

export interface PackageFacts {
  readonly name: string;
  /** Empty when it gives none. */
  readonly version: string;
}

/** The nearest package.json at the module or above it that has a name; null when there is none. Never throws. */
export function packageOf(url: string): PackageFacts | null {
  if (!url.startsWith('file:')) return null;
  let folder = dirname(fileURLToPath(url));
  while (basename(folder) !== 'node_modules') {
    const facts = factsIn(folder);
    if (facts !== null) return facts;
    const above = dirname(folder);
    if (above === folder) return null;
    folder = above;
  }
  return null;
}

function factsIn(folder: string): PackageFacts | null {
  try {
    const { name, version } = JSON.parse(readFileSync(join(folder, 'package.json'), 'utf8')) as { name?: unknown; version?: unknown };
    return typeof name === 'string' && name !== '' ? { name, version: typeof version === 'string' ? version : '' } : null;
  } catch {
    return null;
  }
}
