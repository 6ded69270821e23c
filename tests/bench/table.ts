import { isMet, type BenchLine } from './bench-line.ts';

export function wanted({ atLeast, atMost }: BenchLine): string {
  if (atLeast !== undefined) return `≥ ${Number(atLeast.toFixed(3))}`;
  return atMost === undefined ? '' : `≤ ${Number(atMost.toFixed(3))}`;
}

export function verdict(line: BenchLine): string {
  if (line.atLeast === undefined && line.atMost === undefined) return '';
  return isMet(line) ? 'met' : 'NOT MET';
}

export function printTable(lines: readonly BenchLine[]): void {
  const head = ['what', 'ratio', 'wanted', '', 'figures'];
  const rows = lines.map((line) => [line.name, line.ratio.toFixed(line.ratio >= 10 ? 1 : 3), wanted(line), verdict(line), line.detail]);
  const widths = head.map((title, column) => Math.max(title.length, ...rows.map((row) => row[column]!.length)));
  for (const row of [head, ...rows]) {
    process.stdout.write(`${row.map((cell, column) => (column === 1 ? cell.padStart(widths[column]!) : column === 4 ? cell : cell.padEnd(widths[column]!))).join('  ')}\n`);
  }
}
