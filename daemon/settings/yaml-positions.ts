/** Where in a YAML text a setting stands. */
import { isAlias, isMap, isPair, isScalar, isSeq, type Document, type LineCounter, type Node, type Pair } from 'yaml';
import type { SettingsPath } from './settings-fault.ts';

export interface Position {
  readonly line: number;
  readonly column: number;
}

export interface YamlPositions {
  at(offset: number): Position;
  /** Of the value at the path; of its nearest ancestor that exists when there is no such value. */
  ofValue(path: SettingsPath): Position;
  /** Of the key itself. */
  ofKey(path: SettingsPath): Position;
}

type Found = { readonly node: Node | null; readonly pair: Pair | null };

function keyText(pair: Pair): string {
  return isScalar(pair.key) ? String(pair.key.value) : String(pair.key);
}

function startOf(node: unknown): number | null {
  const range = (node as { range?: readonly number[] | null } | null)?.range;
  return range ? range[0]! : null;
}

export function yamlPositions(document: Document, lines: LineCounter): YamlPositions {
  const resolve = (node: unknown): Node | null => {
    if (isAlias(node)) return node.resolve(document) ?? null;
    return (node ?? null) as Node | null;
  };

  /** Walks as far as the document goes; the last pair is the one that holds the value. */
  const walk = (path: SettingsPath): Found & { readonly depth: number } => {
    let node = resolve(document.contents);
    let pair: Pair | null = null;
    let depth = 0;
    for (const part of path) {
      if (isMap(node)) {
        const next = node.items.findLast((item) => isPair(item) && keyText(item) === String(part));
        if (!next) break;
        pair = next;
        node = resolve(next.value);
      } else if (isSeq(node) && typeof part === 'number' && part < node.items.length) {
        pair = null;
        node = resolve(node.items[part]);
      } else break;
      depth++;
    }
    return { node, pair, depth };
  };

  const at = (offset: number): Position => {
    const found = lines.linePos(Math.max(0, offset));
    return { line: Math.max(1, found.line), column: Math.max(1, found.col) };
  };

  return {
    at,
    ofValue: (path) => {
      const { node, pair, depth } = walk(path);
      // A setting that is missing is told at the key of the map that should hold it: there the reader adds it.
      const missing = depth < path.length;
      const offset = (missing && pair ? startOf(pair.key) : null) ?? startOf(node) ?? startOf(pair?.key) ?? 0;
      return at(offset);
    },
    ofKey: (path) => {
      const { node, pair } = walk(path);
      return at(startOf(pair?.key) ?? startOf(node) ?? 0);
    },
  };
}
