/** What a zod issue means to the person who wrote the file: what is wrong, and what is allowed. */
import * as z from 'zod';
import { unitFromSpelling } from '../../shared/units.ts';
import type { SettingsPath } from './settings-fault.ts';

/** The part of JSON Schema that zod writes and this file reads. */
interface Shape {
  readonly type?: string | readonly string[];
  readonly properties?: Readonly<Record<string, Shape>>;
  readonly items?: Shape;
  readonly prefixItems?: readonly Shape[];
  readonly additionalProperties?: Shape | boolean;
  readonly anyOf?: readonly Shape[];
  readonly oneOf?: readonly Shape[];
  readonly const?: unknown;
  readonly enum?: readonly unknown[];
  readonly minimum?: number;
  readonly maximum?: number;
  readonly exclusiveMinimum?: number;
  readonly exclusiveMaximum?: number;
  readonly minLength?: number;
  readonly maxLength?: number;
  readonly minItems?: number;
  readonly maxItems?: number;
  readonly format?: string;
}

export interface ExplainedIssue {
  readonly path: SettingsPath;
  /** True when the key is what is wrong, not its value. */
  readonly concernsKey: boolean;
  readonly message: string;
}

export interface IssueExplainer {
  explain(issue: z.core.$ZodIssue, input: unknown): readonly ExplainedIssue[];
}

export function issueExplainer(schema: z.ZodType): IssueExplainer {
  const root = z.toJSONSchema(schema, { io: 'input', unrepresentable: 'any' }) as Shape;
  return { explain: (issue, input) => explain(root, issue, input) };
}

function explain(root: Shape, issue: z.core.$ZodIssue, input: unknown): readonly ExplainedIssue[] {
  const path = issue.path.filter((part) => typeof part !== 'symbol');
  if (issue.code === 'unrecognized_keys') {
    const known = keysAt(root, path, input);
    return issue.keys.map((key) => ({ path: [...path, key], concernsKey: true, message: unknownKey(key, known) }));
  }
  const value = valueAt(input, path);
  const allowed = allowedAt(root, path, input);
  const wrong = value === undefined ? 'is missing' : `is ${describe(value)}`;
  // A message written in the schema says more than the general rule.
  const own = issue.code === 'custom' || (issue.code === 'invalid_format' && !/^Invalid/.test(issue.message)) ? issue.message : null;
  const rule = own ?? (allowed === null ? issue.message : `${meant(value, root, path, input)}${allowed}`);
  if (issue.code === 'custom' && typeof value === 'object' && value !== null) return [{ path, concernsKey: false, message: rule }];
  return [{ path, concernsKey: false, message: `${wrong}; ${rule}` }];
}

/** What the person most likely meant by a value that is not allowed, as the beginning of a sentence; or nothing. */
function meant(value: unknown, root: Shape, path: SettingsPath, input: unknown): string {
  const shapes = shapesAt(root, path, input);
  if (typeof value === 'number' && shapes.length > 0 && shapes.every((shape) => shape.type === 'string' && !shape.enum && shape.const === undefined)) {
    return `write it in quotes, "${value}"; `;
  }
  // A single character is no slip of the finger.
  if (typeof value !== 'string' || value.length < 2) return '';
  if (shapes.some((shape) => shape.enum?.includes('N.m'))) return unitMeant(value, shapes.flatMap((shape) => shape.enum ?? []));
  const near = nearest(value, shapes.flatMap((shape) => shape.enum ?? [shape.const]).filter((word) => typeof word === 'string'));
  return near === null ? '' : `did you mean "${near}"? `;
}

/** Known by its spelling, as in the lines of instruments; a capital M may be mega or milli, and nothing is suggested. */
function unitMeant(text: string, known: readonly unknown[]): string {
  if (/^\s*MN/.test(text)) return '';
  const unit = unitFromSpelling(text)?.ucum ?? nearest(text, known.filter((word) => typeof word === 'string'));
  return unit === null ? '' : `did you mean "${unit}"? `;
}

function unknownKey(key: string, known: readonly string[]): string {
  const near = nearest(key, known);
  const allowed = known.length === 0 ? 'no setting is allowed here' : `allowed are ${known.join(', ')}`;
  return `is not a setting here; ${near === null ? '' : `did you mean "${near}"? `}${allowed}`;
}

function valueAt(input: unknown, path: SettingsPath): unknown {
  return path.reduce<unknown>((value, part) => (value as Record<string | number, unknown> | null | undefined)?.[part], input);
}

export function describe(value: unknown): string {
  switch (typeof value) {
    case 'string': return JSON.stringify(value.length > 60 ? `${value.slice(0, 57)}...` : value);
    case 'object': return value === null ? 'empty' : Array.isArray(value) ? `a list of ${value.length}` : 'a map';
    case 'number': case 'boolean': case 'bigint': return value.toString();
    default: return typeof value;
  }
}

/** Of what a driver from outside threw, which may be anything. */
export function firstLine(thrown: unknown): string {
  const text = thrown instanceof Error ? thrown.message : String(thrown);
  return text.trim().split('\n')[0]!.replace(/\.$/, '') || 'no reason given';
}

/** The shapes that the value may have here; alternatives of a kind the value does not name are left out. */
function alternatives(shape: Shape, value: unknown): readonly Shape[] {
  const all = (shape.oneOf ?? shape.anyOf ?? [shape]).flatMap((one) => (one.oneOf || one.anyOf ? alternatives(one, value) : [one]));
  const objects = all.filter((one) => one.properties);
  if (objects.length < 2 || typeof value !== 'object' || value === null) return all;
  const named = objects.filter((one) => Object.entries(one.properties!).some(([key, property]) =>
    property.const !== undefined && (value as Record<string, unknown>)[key] === property.const));
  return named.length > 0 ? named : all;
}

function shapesAt(root: Shape, path: SettingsPath, input: unknown): readonly Shape[] {
  let shapes: readonly Shape[] = alternatives(root, input);
  let value = input;
  for (const part of path) {
    value = (value as Record<string | number, unknown> | null | undefined)?.[part];
    shapes = shapes.flatMap((shape) => {
      const next = typeof part === 'number'
        ? (shape.prefixItems?.[part] ?? shape.items)
        : (shape.properties?.[part] ?? (typeof shape.additionalProperties === 'object' ? shape.additionalProperties : undefined));
      return next ? alternatives(next, value) : [];
    });
  }
  return shapes;
}

function keysAt(root: Shape, path: SettingsPath, input: unknown): readonly string[] {
  return [...new Set(shapesAt(root, path, input).flatMap((shape) => Object.keys(shape.properties ?? {})))];
}

function allowedAt(root: Shape, path: SettingsPath, input: unknown): string | null {
  const shapes = shapesAt(root, path, input);
  const fixed = shapes.flatMap((shape) => shape.enum ?? (shape.const === undefined ? [] : [shape.const]));
  const others = shapes.filter((shape) => !shape.enum && shape.const === undefined).map(rule).filter((text) => text !== '');
  const parts = [...new Set(others)];
  if (fixed.length > 0) parts.unshift(`allowed ${fixed.length === 1 ? 'is' : 'are'} ${[...new Set(fixed)].map(String).join(', ')}`);
  if (parts.length === 0) return null;
  return fixed.length > 0 ? parts.join(' or ') : `allowed is ${parts.join(' or ')}`;
}

function rule(shape: Shape): string {
  const types = typeof shape.type === 'string' ? [shape.type] : (shape.type ?? []);
  return types.map((type) => {
    switch (type) {
      case 'integer': return `a whole number${range(shape)}`;
      case 'number': return `a number${range(shape)}`;
      case 'boolean': return 'true or false';
      case 'null': return 'null';
      case 'string': return shape.format === 'date' ? 'a day as YYYY-MM-DD' : `a text${length(shape.minLength, shape.maxLength, 'characters')}`;
      case 'array': return `a list${length(shape.minItems, shape.maxItems, 'entries')}`;
      case 'object': return shape.properties ? `a map with ${Object.keys(shape.properties).join(', ')}` : 'a map';
      default: return type;
    }
  }).join(' or ');
}

function range(shape: Shape): string {
  const low = shape.minimum !== undefined ? `of at least ${shape.minimum}` : shape.exclusiveMinimum !== undefined ? `above ${shape.exclusiveMinimum}` : '';
  const bounded = shape.maximum !== undefined && shape.maximum < Number.MAX_SAFE_INTEGER;
  const high = bounded ? `at most ${shape.maximum}` : shape.exclusiveMaximum !== undefined ? `below ${shape.exclusiveMaximum}` : '';
  const parts = [low, high].filter((text) => text !== '' && !text.includes(String(Number.MIN_SAFE_INTEGER)));
  return parts.length === 0 ? '' : ` ${parts.join(' and ')}`;
}

function length(least: number | undefined, most: number | undefined, what: string): string {
  if (least !== undefined && least === most) return ` of ${most} ${what}`;
  if (least !== undefined && most !== undefined) return ` of ${least} to ${most} ${what}`;
  if (most !== undefined) return ` of at most ${most} ${what}`;
  return least === undefined ? '' : ` of at least ${least} ${least === 1 ? what.replace(/ies$/, 'y').replace(/s$/, '') : what}`;
}

/** The known name that a mistyped one most likely means: at most a third of it differs. */
export function nearest(name: string, known: readonly string[]): string | null {
  let best: string | null = null;
  let least = Math.max(1, Math.floor(name.length / 3)) + 1;
  for (const candidate of known) {
    const distance = editDistance(name.toLowerCase(), candidate.toLowerCase());
    if (distance < least) [best, least] = [candidate, distance];
  }
  return best;
}

/** Insertions, deletions, replacements and swaps of neighbours that turn one text into the other. */
function editDistance(a: string, b: string): number {
  const width = b.length + 1;
  const table = new Uint16Array((a.length + 1) * width);
  for (let i = 0; i <= a.length; i++) table[i * width] = i;
  for (let j = 0; j <= b.length; j++) table[j] = j;
  for (let i = 1; i <= a.length; i++) {
    for (let j = 1; j <= b.length; j++) {
      const same = a[i - 1] === b[j - 1] ? 0 : 1;
      let cost = Math.min(table[(i - 1) * width + j]! + 1, table[i * width + j - 1]! + 1, table[(i - 1) * width + j - 1]! + same);
      if (i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) cost = Math.min(cost, table[(i - 2) * width + j - 2]! + 1);
      table[i * width + j] = cost;
    }
  }
  return table[a.length * width + b.length]!;
}
