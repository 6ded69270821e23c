/**
 * The head of a plain trace: which line names the columns, where time and torque stand, and in which units. Nothing is
 * guessed: what is not said by a name, a row of units or an option is refused or told.
 */
import { parse } from 'csv-parse/sync';
import { TorsiondError } from '../../shared/errors.ts';
import { torqueUnit, unitFromSpelling } from '../../shared/units.ts';

export const TIME_UNITS = ['s', 'ms', 'us', 'iso'] as const;
export type TimeUnit = (typeof TIME_UNITS)[number];

/** What a person says of a trace; left out: as the file says it. */
export interface TraceAsked {
  readonly timeColumn?: string | undefined;
  readonly torqueColumn?: string | undefined;
  readonly timeUnit?: TimeUnit | undefined;
  /** UCUM code of the torque column. */
  readonly unit?: string | undefined;
  /** Lines before the one that names the columns. */
  readonly skipLines?: number | undefined;
}

export interface TraceHead {
  /** Byte that parts the columns. */
  readonly delimiter: number;
  readonly names: readonly string[];
  readonly timeAt: number;
  readonly torqueAt: number;
  /** Null: the first value tells. */
  readonly timeUnit: TimeUnit | null;
  /** The unit of the times was asked for. */
  readonly isTimeAsked: boolean;
  /** UCUM code. */
  readonly unit: string;
  /** Line of the first row, from 1, and where it begins in the bytes given. */
  readonly firstLine: number;
  readonly firstByte: number;
  /** For people, about what was passed over or taken for granted. */
  readonly notes: readonly string[];
}

export const DEFAULT_TIME = 'time_s';
export const DEFAULT_TORQUE = 'torque_Nm';
const MOST_HEAD_LINES = 100;
const DELIMITERS = [',', ';', '\t'] as const;

interface HeadLine {
  readonly number: number;
  readonly text: string;
  /** Behind its end. */
  readonly nextByte: number;
}

const HEAD_BYTES = 65_536;
/** Of each line that is to be passed over, on average at most. */
const SKIPPED_LINE_BYTES = 1_024;

/** Bytes of the file that are enough for `readTraceHead`. */
export function headBytes(asked: TraceAsked): number {
  return HEAD_BYTES + SKIPPED_LINE_BYTES * (asked.skipLines ?? 0);
}

/** The line end that a file uses: line feed, or a lone carriage return. */
export function lineEnd(bytes: Uint8Array): number {
  return bytes.includes(10) || !bytes.includes(13) ? 10 : 13;
}

/**
 * @param bytes the beginning of the file
 * @throws TorsiondError INPUT_NO_COLUMN, INPUT_FORMAT
 */
export function readTraceHead(path: string, bytes: Buffer, asked: TraceAsked): TraceHead {
  const lines = headLines(bytes, lineEnd(bytes), MOST_HEAD_LINES + 1 + (asked.skipLines ?? 0));
  const written = lines.filter(({ text }) => text.trim() !== '');
  if (written.length === 0) throw new TorsiondError('INPUT_FORMAT', 'the file is empty', { where: path });
  const header = findHeader(path, written, asked);
  const { delimiter, names, time, torque } = header;
  const notes: string[] = [];
  const before = written.filter(({ number }) => number < header.line.number);
  if (before.length > 0 && asked.skipLines === undefined) notes.push(`${before.length === 1 ? 'a line' : `${before.length} lines`} before the names of the columns (line ${header.line.number}) passed over`);

  for (const at of [time, torque]) {
    if (names.indexOf(names[at]!) !== names.lastIndexOf(names[at]!)) {
      throw new TorsiondError('INPUT_FORMAT', `two columns are named "${shorten(names[at]!)}"`, { where: path, hint: 'Rename one of them, or name another column; nothing was judged.' });
    }
  }

  const next = written.find(({ number }) => number > header.line.number);
  const units = next ? unitsRow(path, cellsOf(next.text, delimiter), header, asked) : null;
  const said = saidUnits(path, names[time]!, names[torque]!, units, asked);
  if (units !== null) notes.push(`line ${next!.number} is taken for the row of units`);
  const first = units === null ? header.line : next!;
  return {
    ...said, delimiter: delimiter.charCodeAt(0), names, timeAt: time, torqueAt: torque,
    isTimeAsked: asked.timeUnit !== undefined, firstLine: first.number + 1, firstByte: first.nextByte, notes: [...notes, ...said.notes],
  };
}

export interface SaidUnits {
  /** Null: nothing says it. */
  readonly timeUnit: TimeUnit | null;
  /** UCUM code. */
  readonly unit: string;
  /** For people. */
  readonly notes: readonly string[];
}

/**
 * The units of both columns, by all that says one.
 * @throws TorsiondError INPUT_FORMAT when two say another one, or a name says one that is not known
 */
export function saidUnits(path: string, time: string, torque: string, row: UnitsRow | null, asked: TraceAsked): SaidUnits {
  if (asked.timeUnit === undefined && (isOtherTime(unitPart(time)) || isStrange(time, timeUnitOf(time)))) throw strangeUnit(path, time, '--time-unit');
  if (asked.unit === undefined && isStrange(torque, torqueUnitOf(torque))) throw strangeUnit(path, torque, '--trace-unit');
  const timeUnit = asked.timeUnit ?? agreed(path, 'time', time, [
    ['the name of the column', timeUnitOf(time)], ['the row of units', row?.time ?? null],
  ]);
  const unit = agreed(path, 'torque', torque, [
    ['--trace-unit', asked.unit ?? null], ['the name of the column', torqueUnitOf(torque)], ['the row of units', row?.torque ?? null],
  ]);
  const notes = unit === null ? [`nothing says the unit of "${torque}"; it is taken for N·m (--trace-unit says another)`] : [];
  return { timeUnit: timeUnit as TimeUnit | null, unit: unit ?? 'N.m', notes };
}

/** What stands in brackets at the end of a name is a unit; one that is not known must not pass for the usual one. */
function isStrange(name: string, known: string | null): boolean {
  return known === null && /[[(][^\])]+[\])]\s*$/.test(name);
}

/** Units of time that are known and not read. */
function isOtherTime(text: string | null): boolean {
  return /^(ns|nsec|nanoseconds|min|minutes|h|hrs?|hours|d|days)$/i.test(text?.trim() ?? '');
}

function strangeUnit(path: string, what: string, option: string): TorsiondError {
  return new TorsiondError('INPUT_FORMAT', `the unit in "${shorten(what)}" is not known`, { where: path, hint: `Say what the numbers are with ${option}; nothing was judged.` });
}

function headLines(bytes: Buffer, end: number, most: number): HeadLine[] {
  const lines: HeadLine[] = [];
  for (let at = 0; at < bytes.length && lines.length < most;) {
    const found = bytes.indexOf(end, at);
    const to = found < 0 ? bytes.length : found;
    lines.push({ number: lines.length + 1, text: bytes.toString('utf8', at, to).replace(/\r$/, ''), nextByte: found < 0 ? bytes.length : found + 1 });
    at = found < 0 ? bytes.length : found + 1;
  }
  return lines;
}

interface Header {
  readonly line: HeadLine;
  readonly delimiter: string;
  readonly names: readonly string[];
  readonly time: number;
  readonly torque: number;
}

function findHeader(path: string, written: readonly HeadLine[], asked: TraceAsked): Header {
  const fromLine = asked.skipLines === undefined ? 1 : asked.skipLines + 1;
  const possible = written.filter(({ number }) => number >= fromLine);
  const looked = asked.skipLines === undefined ? possible : possible.slice(0, 1);
  if (looked.length === 0) throw new TorsiondError('INPUT_FORMAT', `the file has no line after the ${asked.skipLines} that are to be passed over`, { where: path });
  const headers = looked.flatMap((line) => headerOf(line, asked) ?? []);
  if (headers.length === 1) return headers[0]!;
  if (headers.length > 1) {
    throw new TorsiondError('INPUT_FORMAT', `lines ${headers.map(({ line }) => line.number).join(' and ')} could all name the columns`, {
      where: path, hint: `Say how many lines stand before the right one, for example --skip-lines ${headers.at(-1)!.line.number - 1}.`,
    });
  }
  const first = looked.find(({ text }) => !text.startsWith('#')) ?? looked[0]!;
  const names = cellsOf(first.text, delimiterOf(first.text));
  const wanted = isThere(names, asked.timeColumn ?? DEFAULT_TIME, timeLike, asked.timeColumn) ? asked.torqueColumn ?? DEFAULT_TORQUE : asked.timeColumn ?? DEFAULT_TIME;
  throw new TorsiondError('INPUT_NO_COLUMN', `there is no column "${wanted}"; found are ${names.slice(0, 40).map((name) => `"${shorten(name)}"`).join(', ')}`, { where: path });
}

function isThere(names: readonly string[], wanted: string, like: (name: string) => boolean, given: string | undefined): boolean {
  return names.includes(wanted) || (given === undefined && names.some(like));
}

function headerOf(line: HeadLine, asked: TraceAsked): Header | null {
  const delimiter = delimiterOf(line.text);
  const names = cellsOf(line.text, delimiter);
  const time = columnOf(names, asked.timeColumn, DEFAULT_TIME, timeLike);
  const torque = columnOf(names, asked.torqueColumn, DEFAULT_TORQUE, torqueLike);
  return time < 0 || torque < 0 ? null : { line, delimiter, names, time, torque };
}

/** The very name; where none was given also the one column whose name can mean nothing else. */
function columnOf(names: readonly string[], given: string | undefined, usual: string, like: (name: string) => boolean): number {
  const exact = names.indexOf(given ?? usual);
  if (exact >= 0 || given !== undefined) return exact;
  const alike = names.flatMap((name, i) => (like(name) ? [i] : []));
  return alike.length === 1 ? alike[0]! : -1;
}

const timeLike = (name: string): boolean => /^time(stamp)?$/i.test(name) || (/^time\b|^time_/i.test(name) && timeUnitOf(name) !== null);
const torqueLike = (name: string): boolean => /^torque$/i.test(name) || (/^torque\b|^torque_/i.test(name) && torqueUnitOf(name) !== null);

/** What stands in brackets, behind a comma, a slash or an underscore at the end of a name. */
function unitPart(name: string): string | null {
  return /[[(]([^\])]+)[\])]\s*$/.exec(name)?.[1]?.trim() ?? /[_,/ ]([^_,/ ]+)$/.exec(name.trim())?.[1] ?? null;
}

function timeUnitOf(name: string): TimeUnit | null {
  return timeUnitSpelled(unitPart(name));
}

function timeUnitSpelled(text: string | null): TimeUnit | null {
  switch (text?.trim().toLowerCase()) {
    case 's': case 'sec': case 'seconds': return 's';
    case 'ms': case 'msec': case 'milliseconds': return 'ms';
    case 'us': case 'µs': case 'μs': case 'microseconds': return 'us';
    default: return null;
  }
}

function torqueUnitOf(name: string): string | null {
  const part = unitPart(name) ?? name;
  return unitFromSpelling(part)?.ucum ?? null;
}

/** A row below the names that holds units in place of numbers. */
export interface UnitsRow {
  readonly time: TimeUnit | null;
  readonly torque: string | null;
}

function unitsRow(path: string, cells: readonly string[], { names, time, torque }: Header, asked: TraceAsked): UnitsRow | null {
  const bare = (text: string | undefined): string => (text ?? '').replace(/^[[(]|[\])]$/g, '').trim();
  const units = { time: timeUnitSpelled(bare(cells[time])), torque: unitFromSpelling(bare(cells[torque]))?.ucum ?? null };
  if (units.time === null && units.torque === null) return null;
  const isOther = (at: number, unit: string | null): boolean => unit === null && !/^[-–]?$/.test(bare(cells[at]));
  if (isOther(time, units.time) && asked.timeUnit === undefined) throw strangeUnit(path, `${names[time]!}: ${cells[time]!}`, '--time-unit');
  if (isOther(torque, units.torque) && asked.unit === undefined) throw strangeUnit(path, `${names[torque]!}: ${cells[torque]!}`, '--trace-unit');
  return units;
}

/** What all say that say anything. @throws TorsiondError INPUT_FORMAT when they contradict each other */
function agreed(path: string, what: string, column: string, said: readonly (readonly [string, string | null])[]): string | null {
  const stated = said.filter(([, unit]) => unit !== null);
  const first = stated[0];
  const other = stated.find(([, unit]) => unit !== first![1]);
  if (first && other) {
    const shown = (unit: string): string => (what === 'torque' ? torqueUnit(unit).symbol : unit);
    throw new TorsiondError('INPUT_FORMAT', `the unit of the ${what} in "${column}" is ${shown(first[1]!)} by ${first[0]}, but ${shown(other[1]!)} by ${other[0]}`, {
      where: path, hint: `Correct ${first[0].startsWith('--') ? first[0] : 'the file'}, so that both say what the numbers are; nothing was judged.`,
    });
  }
  return first?.[1] ?? null;
}

function delimiterOf(text: string): string {
  const bare = text.replace(/"[^"]*"/g, '');
  const count = (character: string): number => bare.split(character).length - 1;
  return DELIMITERS.map((character) => ({ character, count: count(character) })).sort((a, b) => b.count - a.count)[0]!.character;
}

function cellsOf(text: string, delimiter: string): string[] {
  if (!text.includes('"')) return text.split(delimiter).map((cell) => cell.trim());
  try {
    return quotedCells(text, delimiter).map((cell) => cell.trim());
  } catch {
    return [];
  }
}

/** @throws when the quotes do not match */
export function quotedCells(text: string, delimiter: string): string[] {
  const records: string[][] = parse(text, { delimiter, relax_column_count: true, trim: true, skip_empty_lines: true, record_delimiter: ['\r\n', '\n', '\r'] });
  // A line end of another kind inside a row: the rows behind it would be lost.
  if (records.length > 1) throw new Error('several rows in one');
  return records[0] ?? [];
}

export function shorten(text: string): string {
  return text.length > 40 ? `${text.slice(0, 37)}...` : text;
}
