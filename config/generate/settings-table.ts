/** The settings table of config/README.md and the tables of driver options, from the schemas. */
import * as z from 'zod';
import { Settings } from '../../daemon/settings/schema.ts';
import { markdownTable, type DocSection } from './doc-section.ts';

interface Shape {
  readonly type?: string | readonly string[];
  readonly properties?: Readonly<Record<string, Shape>>;
  readonly required?: readonly string[];
  readonly items?: Shape;
  readonly oneOf?: readonly Shape[];
  readonly anyOf?: readonly Shape[];
  readonly enum?: readonly unknown[];
  readonly const?: unknown;
  readonly default?: unknown;
  readonly description?: string;
  readonly minimum?: number;
  readonly maximum?: number;
  readonly exclusiveMinimum?: number;
}

type Row = readonly [setting: string, allowed: string, standard: string, meaning: string];

/** Every setting with its path, in the order of the schema. */
export function settingsRows(schema: z.ZodType = Settings): readonly Row[] {
  return rowsOf(z.toJSONSchema(schema, { io: 'input', unrepresentable: 'any' }) as Shape, '');
}

function rowsOf(shape: Shape, path: string): Row[] {
  const required = new Set(shape.required ?? []);
  return Object.entries(shape.properties ?? {}).flatMap(([name, property]) => propertyRows(property, path === '' ? name : `${path}.${name}`, required.has(name)));
}

function propertyRows(property: Shape, path: string, isRequired: boolean): Row[] {
  const kinds = property.oneOf ?? property.anyOf ?? [];
  const row: Row = [`\`${path}\``, allowed(property), isRequired ? '**needed**' : standard(property.default), property.description ?? ''];
  if (property.properties) return isRequired || property.description ? [row, ...rowsOf(property, path)] : rowsOf(property, path);
  if (property.items?.properties) return [row, ...rowsOf(property.items, `${path}[]`)];
  const named = kinds.filter((kind) => kind.properties?.kind?.const !== undefined);
  if (named.length === 0) return [row];
  return [row, ...named.flatMap((kind) => rowsOf(kind, path).filter(([setting]) => setting !== `\`${path}.kind\``)
    .map(([setting, what, value, meaning]): Row => [`${setting} (${String(kind.properties!.kind!.const)})`, what, value, meaning]))];
}

function standard(value: unknown): string {
  if (value === undefined) return '';
  if (typeof value === 'object' && value !== null && Object.keys(value).length === 0) return Array.isArray(value) ? 'none' : '';
  return `\`${JSON.stringify(value)}\``;
}

function allowed(shape: Shape): string {
  if (shape.enum) return shape.enum.length > 6 ? 'UCUM code, see shared/units.ts' : shape.enum.map(String).join(' · ');
  if (shape.const !== undefined) return JSON.stringify(shape.const);
  const kinds = shape.oneOf ?? shape.anyOf;
  if (kinds) {
    const named = kinds.map((kind) => kind.properties?.kind?.const).filter((kind) => kind !== undefined);
    return named.length > 0 ? `by \`kind\`: ${named.map(String).join(' · ')}` : kinds.map(allowed).join(' · ');
  }
  const types = typeof shape.type === 'string' ? [shape.type] : (shape.type ?? []);
  return types.map((type) => {
    switch (type) {
      case 'boolean': return 'true · false';
      case 'integer': case 'number': return `${type === 'integer' ? 'whole number' : 'number'}${range(shape)}`;
      case 'string': return 'text';
      case 'array': return 'list';
      case 'object': return 'map';
      default: return type;
    }
  }).join(' · ');
}

function range({ minimum, maximum, exclusiveMinimum }: Shape): string {
  const low = minimum ?? exclusiveMinimum;
  const hasLow = low !== undefined && low > Number.MIN_SAFE_INTEGER;
  const hasHigh = maximum !== undefined && maximum < Number.MAX_SAFE_INTEGER;
  if (hasLow && hasHigh) return exclusiveMinimum === undefined ? ` ${low} to ${maximum}` : ` above ${low} to ${maximum}`;
  if (!hasLow) return hasHigh ? ` to ${maximum}` : '';
  return exclusiveMinimum === undefined ? ` from ${low}` : ` above ${low}`;
}

export const settingsTable: readonly DocSection[] = [{
  file: 'config/README.md',
  name: 'settings',
  render: () => markdownTable(['setting', 'allowed', 'default', 'meaning'], settingsRows()),
}];
