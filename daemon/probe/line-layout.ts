/** How lines are divided, and the options of `ascii-lines` that follow. Pure. */
import { AsciiLinesCodec } from '../../drivers/protocols/ascii-lines/codec.ts';
import { AsciiLinesOptions } from '../../drivers/protocols/ascii-lines/options.ts';
import { columnKind, commonest, type ColumnKind } from './columns.ts';
import type { TextLines } from './text-lines.ts';

export interface LineLayout {
  readonly options: Readonly<Record<string, unknown>>;
  readonly units: readonly (string | null)[];
  readonly largest: number;
  /** Share of the lines that the driver reads with these options. */
  readonly readableShare: number;
  readonly reasons: readonly string[];
  readonly doubts: readonly string[];
  /** To compare layouts of the same lines. */
  readonly score: number;
}

type ValueColumn = Extract<ColumnKind, { kind: 'value' }>;

const SEPARATORS = [null, ';', ',', '\t', '|', ' '] as const;
const SAME_COUNT = 0.9;
const SEPARATOR_NAMES: Readonly<Record<string, string>> = { '\t': 'tab', ' ': 'blank', ';': 'semicolon', ',': 'comma', '|': 'bar' };
const OVERLOAD = /^(ol|ovr|over|ovl|overload|overrange)$/i;
const UNSTABLE = /^(us|unstable|motion)$/i;
const SIGN_WORDS: readonly (readonly [negative: string, positive: string])[] = [['L', 'R'], ['CCW', 'CW']];

/** The layout that reads most of the lines; null when none holds a torque. */
export function lineLayout(text: TextLines): LineLayout | null {
  const layouts = SEPARATORS.flatMap((separator) => (separator === ',' ? (['point'] as const) : (['point', 'comma'] as const))
    .map((decimal) => layoutWith(text, separator, decimal)).filter((layout) => layout !== null));
  return layouts.reduce<LineLayout | null>((best, layout) => (best === null || layout.score > best.score ? layout : best), null);
}

function layoutWith(text: TextLines, separator: string | null, decimal: 'point' | 'comma'): LineLayout | null {
  const rows = text.lines.map((line) => split(line, separator));
  const width = Number(commonest(rows.map((row) => String(row.length))));
  const whole = rows.filter((row) => row.length === width);
  if (whole.length < rows.length * SAME_COUNT || (separator !== null && width < 2) || width > 64) return null;
  const found = Array.from({ length: width }, (_, c) => columnKind(whole.map((row) => row[c]!), decimal));
  const isRiseAlone = !found.some((kind) => kind.kind === 'value');
  const kinds = isRiseAlone ? found.map(asTorque) : found;
  const numbers = kinds.flatMap((kind, i) => (kind.kind === 'value' ? [{ ...kind, column: i + 1 }] : []));
  const written = numbers.filter((kind) => kind.hasFraction);
  const values = written.length > 0 ? written : numbers;
  if (values.length === 0 || values.length > 32) return null;

  const needsPattern = values.some((value) => value.prefix !== '');
  if (needsPattern && separator !== null) return null;
  const channels = values.map(({ column, unit }, i) => {
    const next = values[i + 1]?.column ?? Infinity;
    const unitColumn = unit === null ? besides(kinds, 'unit', column, next) : undefined;
    const statusColumn = besides(kinds, 'words', column, next);
    return { column, ...(unitColumn === undefined ? {} : { unitColumn }), ...(statusColumn === undefined ? {} : { statusColumn }) };
  });
  const isRead = (column: number): boolean => channels.some((channel) => channel.statusColumn === column);
  const told = describeWords(kinds.filter((_, i) => isRead(i + 1)));
  const unread = kinds.flatMap((kind, i) => (kind.kind === 'words' && !isRead(i + 1) ? [{ column: i + 1, words: kind.words }] : []));
  const isPlain = width === 1;
  const options: Record<string, unknown> = {
    ...(text.delimiter === '\n' ? {} : { delimiter: text.delimiter }),
    ...(text.encoding === 'ascii' ? {} : { encoding: text.encoding }),
    ...(separator === null ? {} : { separator }),
    ...(decimal === 'comma' ? { decimal } : {}),
    ...(isPlain ? {} : { channels }),
    ...(needsPattern ? { pattern: prefixPattern(values[0]!) } : {}),
    ...told.options,
  };
  const checked = AsciiLinesOptions.safeParse(options);
  if (!checked.success) return null;
  const read = readWith(text.lines, checked.data);
  const units = values.map((value, i) => read.units[i] ?? value.unit);
  const others = kinds.filter((kind) => kind.kind === 'other').length;
  const isGuessedComma = decimal === 'comma' && separator === null && !values[0]!.isSteadyFraction;
  const doubts = [...told.doubts];
  for (const { column, words } of unread) doubts.push(`column ${column} holds words that are left out (${words.join(', ')}); if they are a status, give its statusColumn`);
  if (written.length === 0) doubts.push(`no column has a decimal sign; ${values.length === 1 ? 'whole numbers are' : 'several columns of whole numbers could be'} taken for torque, and may be counts of a converter (driver raw-counts)`);
  if (isRiseAlone) doubts.push('the only number rises steadily; it may be a time or a counter');
  if (others > 0) doubts.push(`${others} of ${width} columns were not understood and are left out`);
  if (decimal === 'comma' && separator === null) doubts.push('the comma is taken for the decimal sign; it could separate two columns');
  return {
    options, units, largest: read.largest, readableShare: read.share, doubts,
    reasons: [
      width === 1 ? 'each line is one value' : `${width} columns with a ${SEPARATOR_NAMES[separator!]!} between; torque in ${values.map((value) => value.column).join(' and ')}`,
      `decimal ${decimal}`,
      ...kinds.flatMap((kind, i) => (kind.kind === 'rising' ? [`column ${i + 1} rises steadily (a counter or a time) and is left out`] : [])),
    ],
    score: read.share * 100 + (written.length > 0 && !isGuessedComma ? 10 : 0) - others * 2 - (needsPattern ? 1 : 0),
  };
}

/** Where nothing else is there, a number with a fraction that rises steadily may be the torque. */
function asTorque(kind: ColumnKind): ColumnKind {
  return kind.kind === 'rising' && kind.hasFraction ? { kind: 'value', hasFraction: true, isSteadyFraction: true, unit: null, prefix: '' } : kind;
}

function split(line: string, separator: string | null): string[] {
  if (separator === null) return [line];
  return separator === ' ' ? line.trim().split(/[ \t]+/) : line.split(separator);
}

/** The column of that kind behind a value and before the next one; else the only one of the line. */
function besides(kinds: readonly ColumnKind[], kind: 'unit' | 'words', column: number, next: number): number | undefined {
  const all = kinds.flatMap((one, i) => (one.kind === kind ? [i + 1] : []));
  return all.find((one) => one > column && one < next) ?? (all.length === 1 ? all[0] : undefined);
}

function describeWords(kinds: readonly ColumnKind[]): { readonly options: Readonly<Record<string, unknown>>; readonly doubts: readonly string[] } {
  const words = [...new Set(kinds.flatMap((kind) => (kind.kind === 'words' ? kind.words : [])))];
  if (words.length === 0) return { options: {}, doubts: [] };
  const sides = SIGN_WORDS.find((pair) => words.every((word) => pair.includes(word.toUpperCase())));
  if (sides) {
    return {
      options: { sign: { negative: [sides[0]], positive: [sides[1]] } },
      doubts: [`the words ${sides.join(' and ')} are taken for the direction`],
    };
  }
  const overload = words.filter((word) => OVERLOAD.test(word));
  const unstable = words.filter((word) => UNSTABLE.test(word));
  const good = words.filter((word) => !overload.includes(word) && !unstable.includes(word));
  return {
    options: { status: { ...(overload.length > 0 ? { overload } : {}), ...(unstable.length > 0 ? { unstable } : {}), ...(good.length > 0 ? { good } : {}) } },
    doubts: [
      ...(good.length > 0 ? [`${good.map((word) => `"${word}"`).join(', ')} taken for "all is well"; see the manual of the device`] : []),
      ...(overload.length === 0 ? ['no overload was seen; put the device\'s word for it into status.overload'] : []),
    ],
  };
}

function prefixPattern(value: ValueColumn): string {
  const prefix = value.prefix.trim().replace(/[.*+?^${}()|[\]\\/]/g, '\\$&');
  return `^${prefix}\\s*(?<value>[+\\-]?[ \\d.,]*\\d)${value.unit === null ? '' : '\\s*(?<unit>\\S+)'}$`;
}

/** What the driver itself makes of the lines. */
function readWith(lines: readonly string[], options: AsciiLinesOptions): { readonly share: number; readonly units: readonly (string | null)[]; readonly largest: number } {
  const codec = new AsciiLinesCodec(options);
  const encode = options.encoding === 'utf8' ? (line: string) => new TextEncoder().encode(line) : (line: string) => Uint8Array.from(line, (letter) => letter.charCodeAt(0) & 0xff);
  const units: (string | null)[] = [];
  let readable = 0;
  let largest = 0;
  for (const line of lines) {
    const bytes = encode(line);
    let isRead = true;
    codec.decode(bytes, Int32Array.of(0, bytes.length), 1, {
      value: (channel, value, unit) => {
        units[channel] ??= unit;
        largest = Math.max(largest, Math.abs(value));
      },
      // A device that says it is overloaded was understood.
      fault: (_, code) => {
        if (code !== 'VALUE_OVERLOAD') isRead = false;
      },
      recognise: () => false,
    });
    if (isRead) readable++;
  }
  return { share: lines.length === 0 ? 0 : readable / lines.length, units, largest };
}
