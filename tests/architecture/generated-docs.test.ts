import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { DOC_SECTIONS, documentPath } from '../../config/generate-docs.ts';
import { withSection } from '../../config/generate/doc-section.ts';
import { EXAMPLE_TRACE_FILE, exampleTraceText } from '../../config/generate/example-trace.ts';
import { projectFiles, readProjectFile } from '../helpers/project-files.ts';

/** The table of click accuracy replays the corpus twice. */
const LIMIT_MS = 180_000;

describe('the generated parts of the documents', () => {
  it.each(DOC_SECTIONS.map((section) => ({ name: `${section.file}: ${section.name}`, section })))('$name is what the code gives; run "node config/generate-docs.ts" when it differs', ({ section }) => {
    const text = readFileSync(documentPath(section), 'utf8');
    expect(withSection(text, section)).toBe(text);
    expect(section.render().split('\n').length).toBeGreaterThan(3);
  }, LIMIT_MS);

  it('are all that stands between such marks', () => {
    const marked = projectFiles().filter((path) => path.endsWith('.md'))
      .flatMap((path) => [...readProjectFile(path).matchAll(/<!-- generated: (.+?) -->/g)].map(([, name]) => `${path}: ${name}`));
    expect(marked.sort()).toEqual(DOC_SECTIONS.map((section) => `${section.file}: ${section.name}`).sort());
  });

  it('cannot lose their marks unnoticed', () => {
    expect(() => withSection('no marks here', DOC_SECTIONS[0]!)).toThrow(RangeError);
  });
});

describe('config/examples/three-pulls.csv', () => {
  it('is what the simulator gives; run "node config/generate/example-trace.ts" when it differs', () => {
    expect(readFileSync(EXAMPLE_TRACE_FILE, 'utf8')).toBe(exampleTraceText());
  });
});
