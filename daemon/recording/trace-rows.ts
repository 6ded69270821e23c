/** Rows of plain traces: CSV and NDJSON to time and torque, streaming, every bad row named by its line. */
import { createReadStream } from 'node:fs';
import { parse, type CsvError, type Info } from 'csv-parse';
import { TorsiondError } from '../../shared/errors.ts';
import { LARGEST_VALUE } from '../../shared/sample-block.ts';
import { inputNotFound } from './input-file.ts';

export interface TraceRow {
  /** 1-based line of the file. */
  readonly line: number;
  readonly timeS: number;
  readonly torque: number;
}

export interface TraceColumns {
  readonly time: string;
  readonly torque: string;
}

/** Called with the number of bytes read so far. */
export type OnBytes = (bytes: number) => void;

export const DEFAULT_COLUMNS: TraceColumns = { time: 'time_s', torque: 'torque_Nm' };
/** A longer line is no row of a trace. */
const LONGEST_LINE_BYTES = 65_536;
/** Later than any date, s since 1970. */
const LATEST_S = 8e12;
const NUMBER = /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$/;

const badRow = (path: string, line: number, what: string): TorsiondError =>
  new TorsiondError('INPUT_BAD_ROW', `line ${line}: ${what}`, { where: `${path}:${line}` });
const noColumn = (path: string, wanted: string, found: readonly string[]): TorsiondError =>
  new TorsiondError('INPUT_NO_COLUMN', `there is no column "${wanted}"; found are ${found.map((name) => `"${shorten(name)}"`).join(', ')}`, { where: path });
const isEmpty = (path: string): TorsiondError => new TorsiondError('INPUT_FORMAT', 'the file is empty', { where: path });
const shorten = (text: string): string => (text.length > 40 ? `${text.slice(0, 37)}...` : text);

/**
 * CSV with a header line; comma, semicolon or tab, told by the header; quotes, byte order mark and CRLF as RFC 4180.
 * With semicolon or tab a decimal comma is read too.
 * @throws TorsiondError INPUT_NOT_FOUND, INPUT_NO_COLUMN, INPUT_BAD_ROW (after every good row before it was given)
 */
export async function* readCsvRows(path: string, columns: TraceColumns, onBytes?: OnBytes): AsyncGenerator<TraceRow, void, void> {
  const delimiter = await csvDelimiter(path);
  let timeAt = -1;
  let torqueAt = -1;
  let width = 0;
  for await (const { record, line } of csvRecords(path, delimiter, onBytes)) {
    if (width === 0) {
      const names = record.map((name) => name.trim());
      width = names.length;
      timeAt = names.indexOf(columns.time);
      torqueAt = names.indexOf(columns.torque);
      if (timeAt < 0) throw noColumn(path, columns.time, names);
      if (torqueAt < 0) throw noColumn(path, columns.torque, names);
      continue;
    }
    if (record.length !== width) throw badRow(path, line, `has ${record.length} columns, the header ${width}`);
    yield {
      line,
      timeS: csvNumber(record[timeAt]!, LATEST_S, delimiter, path, line, columns.time),
      torque: csvNumber(record[torqueAt]!, LARGEST_VALUE, delimiter, path, line, columns.torque),
    };
  }
  if (width === 0) throw isEmpty(path);
}

interface CsvRecord {
  readonly record: string[];
  /** The line on which it ends. */
  readonly line: number;
}

/** Records in order; a fault comes after every record before it (the parser's own stream would drop those it holds). */
async function* csvRecords(path: string, delimiter: string, onBytes?: OnBytes): AsyncGenerator<CsvRecord, void, void> {
  let ready: CsvRecord[] = [];
  let lastLine = 0;
  const parser = parse({
    delimiter, bom: true, info: true, skip_empty_lines: true, relax_column_count: true,
    record_delimiter: ['\r\n', '\n'], max_record_size: LONGEST_LINE_BYTES,
    on_record: (item: unknown) => {
      const { record, info } = item as { record: string[]; info: Info };
      lastLine = info.lines;
      ready.push({ record, line: info.lines });
      return null;
    },
  });
  // The fault also arrives as the callback of the write that met it.
  parser.on('error', () => {});
  parser.resume();
  const feed = (bytes: Buffer | null): Promise<Error | null> => new Promise((resolve) => {
    const done = (fault?: Error | null): void => resolve(fault ?? null);
    if (bytes === null) {
      parser.once('end', () => done()).once('error', done);
      parser.end();
    } else parser.write(bytes, done);
  });
  const source = createReadStream(path, { highWaterMark: 65_536 });
  try {
    for await (const bytes of withEnd(source)) {
      onBytes?.(source.bytesRead);
      const fault = await feed(bytes);
      const records = ready;
      ready = [];
      yield* records;
      if (fault) throw csvFault(path, fault, lastLine);
    }
  } catch (thrown) {
    if (thrown instanceof TorsiondError) throw thrown;
    throw inputNotFound(path, thrown);
  } finally {
    source.destroy();
    parser.destroy();
  }
}

async function* withEnd(source: AsyncIterable<Buffer>): AsyncGenerator<Buffer | null, void, void> {
  yield* source;
  yield null;
}

function csvFault(path: string, fault: Error, lastLine: number): TorsiondError {
  const { code } = fault as Partial<CsvError>;
  const isTooLong = code === 'CSV_MAX_RECORD_SIZE';
  // A quote that is never closed is told at the end of the file; the row it opened in is what helps.
  const told = code === 'CSV_QUOTE_NOT_CLOSED' ? 0 : Number(/at line (\d+)/.exec(fault.message)?.[1] ?? 0);
  return badRow(path, Math.max(lastLine + 1, told), isTooLong ? `is longer than ${LONGEST_LINE_BYTES} bytes` : 'its quotes do not match');
}

function csvNumber(text: string, most: number, delimiter: string, path: string, line: number, column: string): number {
  let plain = text.trim();
  if (delimiter !== ',' && plain.includes(',') && !plain.includes('.')) plain = plain.replace(',', '.');
  const value = NUMBER.test(plain) ? Number(plain) : Number.NaN;
  return upTo(most, value, path, line, `${column} is ${plain === '' ? 'empty' : `"${shorten(plain)}"`}`);
}

function upTo(most: number, value: number, path: string, line: number, what: string): number {
  if (!Number.isFinite(value)) throw badRow(path, line, `${what}; a finite number is needed`);
  if (Math.abs(value) > most) throw badRow(path, line, `${what}; a magnitude of ${most} at most is allowed`);
  return value;
}

async function csvDelimiter(path: string): Promise<string> {
  const header = await firstLine(path);
  const count = (character: string): number => header.replace(/"[^"]*"/g, '').split(character).length - 1;
  const candidates = [',', ';', '\t'].map((character) => ({ character, count: count(character) })).sort((a, b) => b.count - a.count);
  return candidates[0]!.count === 0 ? ',' : candidates[0]!.character;
}

async function firstLine(path: string): Promise<string> {
  const source = createReadStream(path, { end: LONGEST_LINE_BYTES - 1, encoding: 'utf8' });
  let text = '';
  try {
    for await (const part of source as AsyncIterable<string>) {
      text += part;
      const line = text.split(/\r?\n/).slice(0, -1).find((candidate) => candidate.trim() !== '');
      if (line !== undefined) return line;
    }
  } catch (thrown) {
    throw inputNotFound(path, thrown);
  }
  return text;
}

/**
 * One JSON object per line with the two numbers under the column names; other members are ignored.
 * @throws TorsiondError INPUT_NOT_FOUND, INPUT_NO_COLUMN (first line), INPUT_BAD_ROW
 */
export async function* readNdjsonRows(path: string, columns: TraceColumns, onBytes?: OnBytes): AsyncGenerator<TraceRow, void, void> {
  let first = true;
  for await (const { line, text } of readLines(path, onBytes)) {
    if (text.trim() === '') continue;
    let object: unknown;
    try {
      object = JSON.parse(text);
    } catch {
      throw badRow(path, line, 'is no JSON');
    }
    if (typeof object !== 'object' || object === null || Array.isArray(object)) throw badRow(path, line, 'is no JSON object');
    const row = object as Record<string, unknown>;
    if (first) {
      for (const name of [columns.time, columns.torque]) if (!(name in row)) throw noColumn(path, name, Object.keys(row));
      first = false;
    }
    yield { line, timeS: jsonNumber(row, columns.time, LATEST_S, path, line), torque: jsonNumber(row, columns.torque, LARGEST_VALUE, path, line) };
  }
  if (first) throw isEmpty(path);
}

function jsonNumber(row: Record<string, unknown>, name: string, most: number, path: string, line: number): number {
  const value = row[name];
  // JSON.parse reads 1e999 as Infinity.
  return upTo(most, typeof value === 'number' ? value : Number.NaN, path, line, `${name} is ${value === undefined ? 'missing' : shorten(JSON.stringify(value))}`);
}

async function* readLines(path: string, onBytes?: OnBytes): AsyncGenerator<{ line: number; text: string }, void, void> {
  const source = createReadStream(path, { highWaterMark: 262_144, encoding: 'utf8' });
  let rest = '';
  let line = 0;
  try {
    for await (const part of source as AsyncIterable<string>) {
      onBytes?.(source.bytesRead);
      const texts = (line === 0 && rest === '' ? part.replace(/^\uFEFF/, '') : part).split('\n');
      texts[0] = rest + texts[0];
      rest = texts.pop()!;
      for (const text of texts) {
        if (text.length > LONGEST_LINE_BYTES) throw badRow(path, line + 1, `is longer than ${LONGEST_LINE_BYTES} bytes`);
        yield { line: ++line, text };
      }
      if (rest.length > LONGEST_LINE_BYTES) throw badRow(path, line + 1, `is longer than ${LONGEST_LINE_BYTES} bytes`);
    }
  } catch (thrown) {
    if (thrown instanceof TorsiondError) throw thrown;
    throw inputNotFound(path, thrown);
  } finally {
    source.destroy();
  }
  if (rest !== '') yield { line: line + 1, text: rest };
}
