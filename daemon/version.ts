import { existsSync, readFileSync } from 'node:fs';

/** Of the package this file belongs to, in the repository or in a packed copy (dist/). */
export function packageVersion(): string {
  for (const place of ['../package.json', '../../package.json']) {
    const file = new URL(place, import.meta.url);
    if (!existsSync(file)) continue;
    const facts = JSON.parse(readFileSync(file, 'utf8')) as { name?: string; version?: string };
    if (facts.name === 'torsiond' && facts.version) return facts.version;
  }
  return '0.0.0';
}
