/** What stands in one column of the lines. Pure. */
import { unitFromSpelling } from '../../shared/units.ts';

export type ColumnKind =
  /** Numbers that can be torques. `hasFraction`: written with a decimal sign. */
  | { readonly kind: 'value'; readonly hasFraction: boolean; readonly isSteadyFraction: boolean; readonly unit: string | null; readonly prefix: string }
  /** Rises by the same step: a counter or a time, or torque that somebody applies evenly. */
  | { readonly kind: 'rising'; readonly hasFraction: boolean }
  | { readonly kind: 'constant' }
  | { readonly kind: 'unit'; readonly unit: string }
  | { readonly kind: 'words'; readonly words: readonly string[] }
  | { readonly kind: 'other' };

const MOST = 0.9;
const WORDS_MAX = 8;
/** Steps of a counter or a time may differ by this share of their mean: printed times are rounded. */
const STEP_SPREAD = 0.25;
/** A rise over fewer lines can be a torque. */
const RISE_LINES = 12;

/** The number of a cell and what stands around it. */
function cellPattern(decimal: 'point' | 'comma'): RegExp {
  const sign = decimal === 'comma' ? ',' : '\\.';
  return new RegExp(`^([^\\d+\\-.,]*(?:\\d+[=:][^\\d+\\-.,]*|[A-Za-z]+\\d+[ =:]+)?)([+-]?)[ \\t]*(\\d+(?:${sign}(\\d*))?|${sign}(\\d+))([eE][+-]?\\d+)?(?![\\d.,])\\s*(.*)$`);
}

interface Cell {
  readonly prefix: string;
  readonly isSigned: boolean;
  readonly value: number;
  readonly fraction: string | null;
  readonly rest: string;
}

function readCell(text: string, pattern: RegExp): Cell | null {
  const parts = pattern.exec(text.trim());
  if (!parts) return null;
  const [, prefix, sign, digits, fraction, bare, exponent, rest] = parts;
  return {
    prefix: prefix!, isSigned: sign !== '', fraction: fraction ?? bare ?? null, rest: rest!.trim(),
    value: Number(`${sign}${digits!.replace(',', '.')}${exponent ?? ''}`),
  };
}

export function columnKind(cells: readonly string[], decimal: 'point' | 'comma'): ColumnKind {
  const pattern = cellPattern(decimal);
  const read = cells.map((cell) => readCell(cell, pattern)).filter((cell) => cell !== null);
  if (read.length >= cells.length * MOST) {
    const prefix = commonest(read.map((cell) => cell.prefix));
    const rest = commonest(read.map((cell) => cell.rest));
    const alike = read.filter((cell) => cell.prefix === prefix && cell.rest === rest);
    const unit = rest === '' ? null : unitFromSpelling(rest)?.ucum;
    if (alike.length >= cells.length * MOST && unit !== undefined) return numberKind(alike, unit, prefix);
  }
  const words = cells.map((cell) => cell.trim());
  const unit = unitFromSpelling(commonest(words));
  if (unit !== null && words.filter((word) => unitFromSpelling(word) === unit).length >= cells.length * MOST) return { kind: 'unit', unit: unit.ucum };
  const distinct = [...new Set(words)];
  if (distinct.length <= WORDS_MAX && distinct.every((word) => /^[A-Za-z][\w-]{0,19}$/.test(word))) return { kind: 'words', words: distinct };
  return { kind: 'other' };
}

function numberKind(cells: readonly Cell[], unit: string | null, prefix: string): ColumnKind {
  const fractions = cells.map((cell) => cell.fraction);
  const hasFraction = fractions.filter((fraction) => fraction !== null).length >= cells.length * MOST;
  const steps = cells.slice(1).map((cell, i) => cell.value - cells[i]!.value);
  if (unit === null && prefix === '' && cells.length >= RISE_LINES) {
    const up = steps.filter((step) => step > 0);
    const mean = up.reduce((sum, step) => sum + step, 0) / up.length;
    if (up.filter((step) => Math.abs(step - mean) <= STEP_SPREAD * mean).length >= steps.length * MOST) return { kind: 'rising', hasFraction };
  }
  const isConstant = steps.every((step) => step === 0);
  if (isConstant && !hasFraction && unit === null && !cells.some((cell) => cell.isSigned)) return { kind: 'constant' };
  return { kind: 'value', hasFraction, isSteadyFraction: new Set(fractions.map((fraction) => fraction?.length)).size === 1, unit, prefix };
}

export function commonest(texts: readonly string[]): string {
  const counts = new Map<string, number>();
  for (const text of texts) counts.set(text, (counts.get(text) ?? 0) + 1);
  return [...counts].sort((a, b) => b[1] - a[1])[0]?.[0] ?? '';
}
