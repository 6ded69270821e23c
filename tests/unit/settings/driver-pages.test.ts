import { describe, expect, it } from 'vitest';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { projectFiles, readProjectFile } from '../../helpers/project-files.ts';

/** The settings files that stand on the pages of drivers. */
const examples = projectFiles().filter((path) => /^drivers\/.*README\.md$/.test(path))
  .flatMap((path) => [...readProjectFile(path).matchAll(/^```yaml\n(instruments:\n[^]*?)^```$/gm)].map((match, i) => ({ name: `${path}, example ${i + 1}`, text: match[1]! })));

describe('the settings on the pages of drivers', () => {
  it('are there', () => expect(examples.length).toBeGreaterThanOrEqual(3));

  it.each(examples)('$name: are taken without a fault', ({ text }) => expect(parseSettings(text, gatewayChecks).faults).toEqual([]));

  it('stand on the page of every driver that has one', () => {
    for (const path of projectFiles().filter((file) => /^drivers\/protocols\/[^/]+\/README\.md$/.test(file))) {
      expect(examples.map(({ name }) => name)).toContain(`${path}, example 1`);
      expect(readProjectFile(path)).toMatch(/<!-- generated: options of /);
    }
  });
});
