import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { DOC_SECTIONS, documentPath } from '../../../config/generate-docs.ts';
import { withSection } from '../../../config/generate/doc-section.ts';

describe('the generated parts of the documents', () => {
  it.each(DOC_SECTIONS.map((section) => ({ name: `${section.file}: ${section.name}`, section })))('$name is what the code gives; run "node config/generate-docs.ts" when it differs', ({ section }) => {
    const text = readFileSync(documentPath(section), 'utf8');
    const rendered = section.render();
    expect(withSection(text, { ...section, render: () => rendered })).toBe(text);
    expect(rendered.split('\n').length).toBeGreaterThan(3);
  });

  it('cannot lose their marks unnoticed', () => {
    expect(() => withSection('no marks here', DOC_SECTIONS[0]!)).toThrow(RangeError);
  });
});
