/** What tests want of a Markdown text. */

export interface CodeBlock {
  readonly language: string;
  /** Without the indentation of the block. */
  readonly text: string;
}

export function codeBlocks(markdown: string): readonly CodeBlock[] {
  return [...markdown.matchAll(/^( *)```(\w*)\n([^]*?)^\1```$/gm)].map(([, indent = '', language = '', text = '']) => ({
    language, text: text.split('\n').map((line) => (line.startsWith(indent) ? line.slice(indent.length) : line)).join('\n'),
  }));
}

/** Targets of inline links, in order. */
export function linkTargets(markdown: string): readonly string[] {
  return [...withoutCode(markdown).matchAll(/\]\(([^)\s]+)\)/g)].map(([, target]) => target!);
}

/** The anchors that a page's headings get on common forges. */
export function anchors(markdown: string): ReadonlySet<string> {
  return new Set([...withoutCode(markdown).matchAll(/^#+ +(.+)$/gm)]
    .map(([, title]) => title!.toLowerCase().replace(/[^\p{Letter}\p{Number}\- ]/gu, '').replaceAll(' ', '-')));
}

/** First cells of the rows of the first table behind a heading of that title. */
export function firstColumn(markdown: string, heading: string): readonly string[] {
  const from = markdown.split('\n').findIndex((line) => /^#+ /.test(line) && line.replace(/^#+ +/, '') === heading);
  if (from < 0) throw new RangeError(`no heading "${heading}"`);
  const rows = markdown.split('\n').slice(from + 1);
  const start = rows.findIndex((line) => line.startsWith('|'));
  const length = rows.slice(start).findIndex((line) => !line.startsWith('|'));
  return rows.slice(start + 2, start + length).map((line) => line.split('|')[1]!.trim());
}

function withoutCode(markdown: string): string {
  return markdown.replace(/^( *)```[^]*?^\1```$/gm, '');
}
