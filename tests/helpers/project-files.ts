/** The project's own files: those that git knows or would take, without what is generated or installed. */
import { execFileSync } from 'node:child_process';
import { existsSync, readFileSync, readdirSync } from 'node:fs';
import { join, relative, sep } from 'node:path';
import { fileURLToPath } from 'node:url';

export const PROJECT_ROOT = fileURLToPath(new URL('../..', import.meta.url));

const NOT_OURS = new Set(['.git', 'node_modules', 'dist', 'coverage', 'results']);

let files: readonly string[] | null = null;

/** Paths from the project's root, with slashes. */
export function projectFiles(): readonly string[] {
  return (files ??= existsSync(join(PROJECT_ROOT, '.git')) ? filesOfGit() : filesUnder(PROJECT_ROOT));
}

export function readProjectFile(path: string): string {
  return readFileSync(join(PROJECT_ROOT, path), 'utf8');
}

function filesOfGit(): string[] {
  const listed = execFileSync('git', ['ls-files', '--cached', '--others', '--exclude-standard', '-z'], { cwd: PROJECT_ROOT, encoding: 'utf8' });
  // A file that was deleted and not yet committed is still listed.
  return listed.split('\0').filter((path) => path !== '' && existsSync(join(PROJECT_ROOT, path)));
}

/** Where the sources came without their history. */
function filesUnder(folder: string): string[] {
  return readdirSync(folder, { withFileTypes: true }).flatMap((entry) => {
    const path = join(folder, entry.name);
    if (entry.isDirectory()) return NOT_OURS.has(entry.name) ? [] : filesUnder(path);
    return [relative(PROJECT_ROOT, path).split(sep).join('/')];
  });
}
