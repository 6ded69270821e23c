/** The import rules of config/dependency-cruiser.cjs: kept by the sources, and able to notice a breach. */
import { spawn } from 'node:child_process';
import { mkdirSync, symlinkSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { PROJECT_ROOT, readProjectFile } from '../helpers/project-files.ts';
import { tempFolder } from '../helpers/temp-folder.ts';

const CRUISER = join(PROJECT_ROOT, 'node_modules/dependency-cruiser/bin/dependency-cruise.mjs');
const RULES = join(PROJECT_ROOT, 'config/dependency-cruiser.cjs');
const LIMIT_MS = 120_000;

const FOLDERS = ['shared', 'drivers', 'daemon', 'simulator', 'tests'];

/** `rule: from → to` of every breach there. */
async function breaches(root: string): Promise<string[]> {
  const child = spawn(process.execPath, [CRUISER, '--config', RULES, '--output-type', 'json', ...FOLDERS], { cwd: root, stdio: ['ignore', 'pipe', 'pipe'] });
  let output = '';
  let complaint = '';
  child.stdout.on('data', (bytes: Buffer) => (output += bytes.toString()));
  child.stderr.on('data', (bytes: Buffer) => (complaint += bytes.toString()));
  await new Promise((resolve) => child.once('close', resolve));
  if (!output.startsWith('{')) throw new Error(complaint);
  const { summary } = JSON.parse(output) as { summary: { totalCruised: number; violations: { rule: { name: string }; from: string; to: string }[] } };
  expect(summary.totalCruised).toBeGreaterThan(PLANTED.length);
  return summary.violations.map(({ rule, from, to }) => `${rule.name}: ${from} → ${to}`);
}

const PLANTED = [
  ['shared-imports-nothing-of-ours', 'shared/a.ts', 'drivers/y.ts'],
  ['shared-runs-in-browsers', 'shared/b.ts', 'node:fs'],
  ['drivers-import-shared-only', 'drivers/c.ts', 'daemon/y.ts'],
  ['framing-and-codecs-are-pure', 'drivers/framing/d.ts', 'node:fs'],
  ['protocols-stand-alone', 'drivers/protocols/x/e.ts', 'drivers/protocols/z/y.ts'],
  ['daemon-not-simulator', 'daemon/station/f.ts', 'simulator/y.ts'],
  ['simulator-not-product', 'simulator/g.ts', 'drivers/y.ts'],
  ['capture-without-node', 'daemon/capture/h.ts', 'node:fs'],
  ['capture-is-pure', 'daemon/capture/i.ts', 'daemon/storage/y.ts'],
  ['capture-is-pure', 'daemon/conditioning/j.ts', 'rxjs'],
  ['conditioning-before-capture', 'daemon/conditioning/k.ts', 'daemon/capture/y.ts'],
  ['drivers-loaded-by-settings', 'daemon/server/q.ts', 'daemon/outside-drivers/y.ts'],
  ['serialport-in-links', 'drivers/protocols/x/l.ts', 'serialport'],
  ['ws-in-server', 'daemon/station/m.ts', 'ws'],
  ['sqlite-in-storage', 'daemon/server/n.ts', 'better-sqlite3'],
  ['no-unresolved', 'daemon/o.ts', './nowhere.ts'],
  ['no-cycles', 'daemon/p.ts', 'daemon/p.ts'],
] as const;

/** A small project that breaks each rule in a file of its own. */
function plant(root: string): void {
  const write = (path: string, text: string): void => {
    mkdirSync(dirname(join(root, path)), { recursive: true });
    writeFileSync(join(root, path), text);
  };
  for (const folder of FOLDERS) mkdirSync(join(root, folder), { recursive: true });
  symlinkSync(join(PROJECT_ROOT, 'node_modules'), join(root, 'node_modules'));
  write('tsconfig.json', '{ "compilerOptions": { "module": "nodenext", "allowImportingTsExtensions": true, "noEmit": true } }');
  for (const [, from, to] of PLANTED) {
    const isOurs = /^[a-z]+\//.test(to);
    if (isOurs && to !== from) write(to, 'export const y = 1;\n');
    write(from, `import * as y from '${isOurs ? '../'.repeat(from.split('/').length - 1) + (from.includes('/') ? '' : './') + to : to}';\nexport const a = y;\n`);
  }
}

describe('the import rules', () => {
  it('are kept', async () => {
    expect(await breaches(PROJECT_ROOT)).toEqual([]);
  }, LIMIT_MS);

  it('are each noticed when they are broken, and no other import is', async () => {
    const root = tempFolder();
    plant(root);
    const seen = (await breaches(root)).map((breach) => breach.split(' → ')[0]!);
    expect([...new Set(seen)].sort()).toEqual(PLANTED.map(([rule, from]) => `${rule}: ${from}`).sort());
  }, LIMIT_MS);

  it('have names that are all tried here', () => {
    const names = [...readProjectFile('config/dependency-cruiser.cjs').matchAll(/name: '([a-z-]+)'/g)].map(([, name]) => name!);
    expect(names.length).toBeGreaterThan(10);
    expect(new Set(PLANTED.map(([rule]) => rule))).toEqual(new Set(names));
  });
});
