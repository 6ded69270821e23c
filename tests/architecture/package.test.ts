/** package.json: what a package brings, and how a clone gets its tools. */
import { accessSync, constants, existsSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { linkTargets } from '../helpers/markdown.ts';
import { PROJECT_ROOT, projectFiles, readProjectFile } from '../helpers/project-files.ts';

interface PackageFile {
  readonly name: string;
  readonly version: string;
  readonly license: string;
  readonly bin: Record<string, string>;
  readonly exports: Record<string, string | { readonly types: string; readonly default: string }>;
  readonly files: readonly string[];
  readonly scripts: Record<string, string>;
  readonly dependencies: Record<string, string>;
  readonly devDependencies: Record<string, string>;
  readonly engines: { readonly node: string };
  readonly allowScripts: Record<string, boolean>;
}

const pack = JSON.parse(readProjectFile('package.json')) as PackageFile;
const versions = { ...pack.dependencies, ...pack.devDependencies };
/** What `npm run build` and `prepare` make. */
const MADE = ['dist', 'daemon/page/dist'];

const isThere = (path: string): boolean => existsSync(join(PROJECT_ROOT, path));
/** What an entry of "files" takes: itself, or everything in it. */
const takes = (entry: string): RegExp => new RegExp(`^${entry.replaceAll('.', '\\.').replace(/\*\*\/|\*/g, (stars) => (stars === '*' ? '[^/]*' : '(?:.*/)?'))}(/|$)`);
/** `./dist/a/b.js` is compiled from `a/b.ts`. */
const sourceOf = (built: string): string => built.replace(/^\.\/dist\//, '').replace(/(\.d\.ts|\.js)$/, '.ts');

describe('package.json', () => {
  it.each(Object.entries(pack.exports).filter(([name]) => name !== './package.json'))('exports %s from a source that exists and loads', async (_, target) => {
    if (typeof target === 'string') throw new Error('expected types and default');
    expect(target.types.replace(/\.d\.ts$/, '')).toBe(target.default.replace(/\.js$/, ''));
    const source = sourceOf(target.default);
    expect(isThere(source), source).toBe(true);
    expect(Object.keys(await import(join(PROJECT_ROOT, source)) as object).length).toBeGreaterThan(0);
  });

  it('has a command that can be run', () => {
    expect(Object.keys(pack.bin)).toEqual(['torsiond']);
    const entry = pack.bin.torsiond!;
    expect(readProjectFile(entry).split('\n')[0]).toBe('#!/usr/bin/env node');
    expect(() => accessSync(join(PROJECT_ROOT, entry), constants.X_OK)).not.toThrow();
  });

  it('packs files that exist, and everything the exports need', () => {
    const files = projectFiles();
    for (const entry of pack.files.filter((path) => !MADE.includes(path) && !path.startsWith('!'))) {
      expect(files.some((path) => takes(entry).test(path)), entry).toBe(true);
    }
    expect(pack.files).toEqual(expect.arrayContaining(['dist', 'daemon/page/dist', 'LICENSE', 'README.md', 'CHANGELOG.md']));
  });

  it('packs what README.md links to', () => {
    const links = linkTargets(readProjectFile('README.md')).filter((target) => !/^[a-z]+:|^#/.test(target)).map((target) => target.replace(/#.*$/, ''));
    expect(links.length).toBeGreaterThan(8);
    expect(links.filter((path) => !pack.files.some((entry) => takes(entry).test(path)))).toEqual([]);
  });

  it('pins every version, its own runtime among them', () => {
    for (const [name, version] of Object.entries(versions)) expect(version, name).toMatch(/^\d+\.\d+\.\d+(-[\w.]+)?$/);
    const major = /^>=(\d+)$/.exec(pack.engines.node)![1]!;
    expect(versions.node!.split('.')[0]).toBe(major);
    expect(process.versions.node).toBe(versions.node);
  });

  it('lets only the runtime run an install script, and has decided on every package that wants to', () => {
    const allowed = Object.entries(pack.allowScripts).filter(([, isAllowed]) => isAllowed).map(([name]) => name);
    // By name: npm cannot pin a version for a lock file that names no addresses.
    expect(allowed).toEqual(['node']);
    const lock = JSON.parse(readProjectFile('package-lock.json')) as { packages: Record<string, { hasInstallScript?: boolean; optional?: boolean }> };
    const wanting = Object.entries(lock.packages).filter(([, entry]) => entry.hasInstallScript && !entry.optional).map(([path]) => path.replace(/^.*node_modules\//, ''));
    expect(wanting.length).toBeGreaterThan(0);
    expect(wanting.filter((name) => !(name in pack.allowScripts))).toEqual([]);
  });

  it('is described by the same version in the lock file, and its changes are told', () => {
    const lock = JSON.parse(readProjectFile('package-lock.json')) as { version: string; packages: Record<string, { dependencies?: object; devDependencies?: object }> };
    expect(lock.version).toBe(pack.version);
    expect(lock.packages['']).toMatchObject({ dependencies: pack.dependencies, devDependencies: pack.devDependencies });
    expect(readProjectFile('CHANGELOG.md')).toContain(`## ${pack.version}`);
  });

  it('has the scripts that the documents name', () => {
    const named = new Set(projectFiles().filter((path) => path.endsWith('.md') || path === '.ci/run')
      .flatMap((path) => [...readProjectFile(path).matchAll(/\bnpm run ([a-z]+(?::[a-z]+)*)/g)].map(([, name]) => name!)));
    expect(named.size).toBeGreaterThan(2);
    expect([...named].filter((name) => !(name in pack.scripts))).toEqual([]);
    for (const name of ['start', 'test', 'pretest', 'check', 'bench', 'build']) expect(pack.scripts).toHaveProperty(name);
  });
});
