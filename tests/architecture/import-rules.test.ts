/** The import rules of config/dependency-cruiser.cjs: kept by the sources, and able to notice a breach. */
import { spawn } from 'node:child_process';
import { mkdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { PROJECT_ROOT } from '../helpers/project-files.ts';
import { tempFolder } from '../helpers/temp-folder.ts';

const CRUISER = join(PROJECT_ROOT, 'node_modules/dependency-cruiser/bin/dependency-cruise.mjs');
const RULES = join(PROJECT_ROOT, 'config/dependency-cruiser.cjs');
const LIMIT_MS = 120_000;

/** The names of the rules that are broken there, each once. */
async function brokenRules(root: string, folders: readonly string[]): Promise<string[]> {
  const child = spawn(process.execPath, [CRUISER, '--config', RULES, '--output-type', 'json', ...folders], { cwd: root, stdio: ['ignore', 'pipe', 'pipe'] });
  let output = '';
  let complaint = '';
  child.stdout.on('data', (bytes: Buffer) => (output += bytes.toString()));
  child.stderr.on('data', (bytes: Buffer) => (complaint += bytes.toString()));
  await new Promise((resolve) => child.once('close', resolve));
  if (!output.startsWith('{')) throw new Error(complaint);
  const { summary } = JSON.parse(output) as { summary: { totalCruised: number; violations: { rule: { name: string }; from: string; to: string }[] } };
  expect(summary.totalCruised).toBeGreaterThan(0);
  return [...new Set(summary.violations.map(({ rule, from, to }) => (root === PROJECT_ROOT ? `${rule.name}: ${from} → ${to}` : rule.name)))].sort();
}

describe('the import rules', () => {
  it('are kept', async () => {
    expect(await brokenRules(PROJECT_ROOT, ['shared', 'drivers', 'daemon', 'simulator', 'tests'])).toEqual([]);
  }, LIMIT_MS);

  it.each([
    ['shared-imports-nothing-of-ours', 'shared/a.ts', 'drivers/b.ts'],
    ['shared-runs-in-browsers', 'shared/a.ts', 'node:fs'],
    ['drivers-import-shared-only', 'drivers/a.ts', 'daemon/b.ts'],
    ['daemon-not-simulator', 'daemon/station/a.ts', 'simulator/b.ts'],
    ['simulator-not-product', 'simulator/a.ts', 'drivers/b.ts'],
    ['capture-without-node', 'daemon/capture/a.ts', 'node:fs'],
    ['capture-is-pure', 'daemon/capture/a.ts', 'daemon/storage/b.ts'],
    ['capture-is-pure', 'daemon/capture/a.ts', 'rxjs'],
    ['serialport-in-links', 'drivers/protocols/x/a.ts', 'serialport'],
    ['ws-in-server', 'daemon/station/a.ts', 'ws'],
    ['sqlite-in-storage', 'daemon/server/a.ts', 'better-sqlite3'],
  ])('%s: notice that %s imports %s', async (rule, from, to) => {
    const root = tempFolder();
    const isOurs = to.endsWith('.ts');
    const write = (path: string, text: string): void => {
      mkdirSync(dirname(join(root, path)), { recursive: true });
      writeFileSync(join(root, path), text);
    };
    for (const folder of ['shared', 'drivers', 'daemon', 'simulator', 'tests']) mkdirSync(join(root, folder), { recursive: true });
    symlinkSync(join(PROJECT_ROOT, 'node_modules'), join(root, 'node_modules'));
    write('tsconfig.json', '{ "compilerOptions": { "module": "nodenext", "allowImportingTsExtensions": true, "noEmit": true } }');
    if (isOurs) write(to, 'export const b = 1;\n');
    const up = '../'.repeat(from.split('/').length - 1);
    write(from, `import * as b from '${isOurs ? `${up}${to}` : to}';\nexport const a = b;\n`);
    expect(await brokenRules(root, ['shared', 'drivers', 'daemon', 'simulator', 'tests'])).toContain(rule);
  }, LIMIT_MS);
});
