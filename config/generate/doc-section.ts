/** A part of a hand-written document that is made from the code, between two marks. */
export interface DocSection {
  /** From the project's root. */
  readonly file: string;
  /** Stands in the marks. */
  readonly name: string;
  /** Markdown, without the marks. */
  render(): string;
}

/** @throws RangeError when the document does not hold both marks of the section */
export function withSection(text: string, section: DocSection): string {
  const begin = `<!-- generated: ${section.name} -->`;
  const end = `<!-- end: ${section.name} -->`;
  const from = text.indexOf(begin);
  const to = text.indexOf(end);
  if (from < 0 || to < from) throw new RangeError(`${section.file} lacks the marks ${begin} and ${end}`);
  return `${text.slice(0, from + begin.length)}\n${section.render().trim()}\n${text.slice(to)}`;
}

export function markdownTable(head: readonly string[], rows: readonly (readonly string[])[]): string {
  const line = (cells: readonly string[]): string => `| ${cells.map((cell) => cell.replace(/\|/g, '\\|').replace(/\n/g, ' ')).join(' | ')} |`;
  return [line(head), line(head.map(() => '---')), ...rows.map(line)].join('\n');
}
