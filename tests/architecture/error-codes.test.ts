import { describe, expect, it } from 'vitest';
import { ERROR_TABLE, type ErrorFacts } from '../../shared/error-table.ts';
import { firstColumn } from '../helpers/markdown.ts';
import { projectFiles, readProjectFile } from '../helpers/project-files.ts';

const codes = Object.keys(ERROR_TABLE);
const HTTP_STATUSES = [400, 401, 403, 404, 409, 429, 500, 503, 504, 507];

describe('the error codes', () => {
  it('stand in the table of DEVELOPERS.md, all of them and no others', () => {
    expect(firstColumn(readProjectFile('DEVELOPERS.md'), 'Errors').map((cell) => cell.replaceAll('`', ''))).toEqual(codes);
  });

  it('are each used by the product', () => {
    const product = projectFiles().filter((path) => /^(shared|drivers|daemon|simulator)\/.*\.(ts|mjs)$/.test(path) && path !== 'shared/error-table.ts')
      .map(readProjectFile).join('\n');
    expect(codes.filter((code) => !new RegExp(`\\b${code}\\b`).test(product))).toEqual([]);
  });

  it.each(Object.entries<ErrorFacts>(ERROR_TABLE))('%s has a hint that says what to do, and an exit code and status that exist', (code, facts) => {
    expect(code).toMatch(/^[A-Z]+(_[A-Z]+)*$/);
    expect(facts.hint).toMatch(/^[A-Z].*[.]$/);
    expect(facts.hint.length).toBeLessThanOrEqual(150);
    expect([64, 65, 66, 69, 70, 74, 75, 77, 78]).toContain(facts.exit);
    expect(HTTP_STATUSES).toContain(facts.http);
  });

  it('give the exit codes that commands promise', () => {
    const exits: Partial<Record<keyof typeof ERROR_TABLE, number>> = {
      USAGE: 64, INPUT_BAD_ROW: 65, INPUT_NOT_FOUND: 66, LINK_NOT_FOUND: 69, STORE_FAILED: 74, STORE_IN_USE: 75, SETTINGS_INVALID: 78,
    };
    for (const [code, exit] of Object.entries(exits)) expect(ERROR_TABLE[code as keyof typeof ERROR_TABLE].exit, code).toBe(exit);
  });
});
