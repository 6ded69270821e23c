/** Every Markdown page: its links lead somewhere, and it fits its purpose. */
import { existsSync } from 'node:fs';
import { dirname, join, normalize } from 'node:path';
import { describe, expect, it } from 'vitest';
import { anchors, linkTargets } from '../helpers/markdown.ts';
import { PROJECT_ROOT, projectFiles, readProjectFile } from '../helpers/project-files.ts';

const pages = projectFiles().filter((path) => path.endsWith('.md'));
const FOLDERS = ['config', 'daemon', 'drivers', 'shared', 'simulator', 'tests'];
/** One page, without what is generated. */
const MOST_LINES = 130;

const isElsewhere = (target: string): boolean => /^[a-z]+:/.test(target);

function deadLinks(page: string): string[] {
  const text = readProjectFile(page);
  return linkTargets(text).filter((target) => !isElsewhere(target)).filter((target) => {
    const [path = '', anchor] = target.split('#');
    const file = path === '' ? page : normalize(join(dirname(page), path));
    if (!existsSync(join(PROJECT_ROOT, file))) return true;
    return anchor !== undefined && !anchors(readProjectFile(file)).has(anchor);
  });
}

describe('the pages of the project', () => {
  it.each(pages)('%s links to what exists', (page) => {
    expect(deadLinks(page)).toEqual([]);
  });

  it('link to one another at all', () => {
    expect(pages.flatMap((page) => linkTargets(readProjectFile(page))).filter((target) => !isElsewhere(target)).length).toBeGreaterThan(15);
  });

  it.each(FOLDERS)('%s/README.md exists and is linked from DEVELOPERS.md', (folder) => {
    expect(pages).toContain(`${folder}/README.md`);
    expect(linkTargets(readProjectFile('DEVELOPERS.md'))).toContain(`${folder}/README.md`);
  });

  it.each(pages.filter((page) => page.endsWith('/README.md')))('%s is one page', (page) => {
    const own = readProjectFile(page).replace(/<!-- generated: [^]*?<!-- end: /g, '');
    expect(own.split('\n').length).toBeLessThanOrEqual(MOST_LINES);
  });

  it('are reachable from README.md', () => {
    const reached = new Set(['README.md']);
    for (const page of reached) {
      for (const target of linkTargets(readProjectFile(page)).filter((link) => !isElsewhere(link))) {
        const path = normalize(join(dirname(page), target.split('#')[0]!));
        if (path.endsWith('.md')) reached.add(path);
      }
    }
    expect(pages.filter((page) => !reached.has(page))).toEqual([]);
  });
});
