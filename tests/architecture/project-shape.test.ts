/** What a clone looks like, and what must not be in it. */
import { describe, expect, it } from 'vitest';
import { projectFiles, readProjectFile } from '../helpers/project-files.ts';

const files = projectFiles();
const TOP = [
  'CHANGELOG.md', 'DEVELOPERS.md', 'LICENSE', 'README.md', 'config', 'daemon', 'drivers', 'package-lock.json', 'package.json', 'shared', 'simulator', 'tests',
  'tsconfig.json',
];
const MOST_LINES = 400;

const isText = (path: string): boolean => /\.(ts|mjs|cjs|js|json|md|yaml|css|html|svg|service|rules)$|^\.ci\/|^[.A-Z][^/]*$/.test(path);
const lineCount = (text: string): number => text.split('\n').filter((line) => line.trim() !== '' && !/^\s*(\/\/|\/?\*)/.test(line)).length;

/** `path:line` of every match in files whose name passes. */
function found(pattern: RegExp, of: (path: string) => boolean): string[] {
  return files.filter((path) => of(path) && isText(path)).flatMap((path) => readProjectFile(path).split('\n')
    .flatMap((line, i) => (pattern.test(line) ? [`${path}:${i + 1}: ${line.trim().slice(0, 120)}`] : [])));
}

describe('the project', () => {
  it('has at the top only what belongs there', () => {
    const top = new Set(files.map((path) => path.split('/')[0]!).filter((name) => !name.startsWith('.')));
    expect([...top].sort()).toEqual([...TOP].sort());
  });

  it('names files in kebab-case', () => {
    const sources = files.filter((path) => /\.(ts|mjs|cjs)$/.test(path));
    expect(sources.length).toBeGreaterThan(300);
    expect(sources.filter((path) => !/^([a-z0-9.-]+\/)*[a-z0-9]+([.-][a-z0-9]+)*$/.test(path))).toEqual([]);
  });

  it(`has no source of more than ${MOST_LINES} lines beside comments`, () => {
    const long = files.filter((path) => path.endsWith('.ts') && lineCount(readProjectFile(path)) > MOST_LINES);
    expect(long).toEqual([]);
  });

  it('names no folder of a machine it was made on', () => {
    expect(found(/(?<![\w.~])\/(work|farm|root|Users|home)\/[a-z]/, () => true)).toEqual([]);
  });

  it('names no package registry', () => {
    expect(found(/registry\.[a-z]+\.[a-z]|\bnpmjs\b|"resolved": "http/, (path) => !path.startsWith('tests/architecture/'))).toEqual([]);
    expect(readProjectFile('.npmrc')).toContain('omit-lockfile-registry-resolved=true');
  });

  it('names no licence key, token or password of somebody', () => {
    expect(found(/(ghp|npm|glpat)_[A-Za-z0-9]{20}|-----BEGIN [A-Z ]*PRIVATE KEY/, () => true)).toEqual([]);
  });
});

describe('the tests', () => {
  /** Left out where the machine cannot do it; on Debian as root, with both terminal programs, all of them run. */
  const MAY_LEAVE_OUT = [
    'tests/unit/simulator/ports.test.ts', // each terminal program where it is installed; the setup sees to one
    'tests/system/store-full.test.ts', // needs the right to mount a small file system
    'tests/unit/drivers/links/port-holder.test.ts', // reads /proc, which is Linux
    'tests/unit/storage/data-directory.test.ts', // the same
    'tests/unit/recording/foreign-readers.test.ts', // one of the readers is in Python
    'tests/integration/replay-progress.test.ts', // a terminal made by python3
    'tests/system/usb-packages.test.ts', // what a machine without a USB bus shows, and one with it
  ];
  const isTest = (path: string): boolean => path.endsWith('.test.ts');

  it('are neither skipped nor focused', () => {
    const marks = ['skip', 'only', 'todo', 'fails'].join('|');
    expect(found(new RegExp(`\\b(it|test|describe)(\\.concurrent)?\\.(${marks})\\b`), isTest)).toEqual([]);
    expect(found(/\.(skipIf|runIf)\(/, (path) => isTest(path) && !MAY_LEAVE_OUT.includes(path) && !path.startsWith('tests/architecture/'))).toEqual([]);
  });

  it('each check something', () => {
    const idle = files.filter(isTest).filter((path) => !/\b(expect|assert)\b|Clauses\(|describeDriver\(/.test(readProjectFile(path)));
    expect(idle).toEqual([]);
    expect(found(/expect\((true|1|false)\)/, (path) => isTest(path) && !path.startsWith('tests/architecture/'))).toEqual([]);
  });

  it('mock none of our modules', () => {
    expect(found(/vi\.(do)?[mM]ock\(/, (path) => isTest(path) && !path.startsWith('tests/architecture/'))).toEqual([]);
  });
});
