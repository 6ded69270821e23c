/** Rows of plain traces: CSV and NDJSON to times and torques, in batches, every bad row named by its line. */
import { TorsiondError } from '../../shared/errors.ts';
import { LARGEST_VALUE } from '../../shared/sample-block.ts';
import { decimalEnd, readDecimal } from './decimal.ts';
import type { OpenInput } from './input-file.ts';
import { readMoment } from './iso-time.ts';
import { DEFAULT_TIME, DEFAULT_TORQUE, headBytes, lineEnd, quotedCells, readTraceHead, saidUnits, shorten, type TimeUnit, type TraceAsked, type TraceHead } from './trace-head.ts';

/** Consecutive rows. */
export interface RowBatch {
  readonly count: number;
  /** s, counted from `originS`. */
  readonly timeS: Float64Array;
  /** In the unit of the column. */
  readonly torque: Float64Array;
  /** 1-based line of the file on which each row ends. */
  readonly line: Float64Array;
}

export interface TraceRows {
  /** UCUM code of the torques. */
  readonly unit: string;
  readonly timeName: string;
  /** s since 1970 from which the times count. Known after the first batch. */
  readonly originS: () => number;
  /** A person said what the times are. */
  readonly isTimeAsked: boolean;
  /** For people; more may come with the first batch. */
  readonly notes: () => readonly string[];
  /** @throws TorsiondError INPUT_BAD_ROW, after every good row before it was given */
  readonly batches: AsyncGenerator<RowBatch, void, void>;
}

/** A longer line is no row of a trace. */
const LONGEST_LINE_BYTES = 65_536;
/** Later than any date, s since 1970. */
const LATEST_S = 8e12;
const NUMBER = /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$/;
const BATCH_ROWS = 8_192;
const PER_SECOND: Record<Exclude<TimeUnit, 'iso'>, number> = { s: 1, ms: 1_000, us: 1_000_000 };

const badRow = (path: string, line: number, what: string): TorsiondError =>
  new TorsiondError('INPUT_BAD_ROW', `line ${line}: ${what}`, { where: `${path}:${line}` });

class Batch {
  readonly timeS = new Float64Array(BATCH_ROWS);
  readonly torque = new Float64Array(BATCH_ROWS);
  readonly line = new Float64Array(BATCH_ROWS);
  count = 0;

  get isFull(): boolean {
    return this.count === BATCH_ROWS;
  }

  add(timeS: number, torque: number, line: number): void {
    this.timeS[this.count] = timeS;
    this.torque[this.count] = torque;
    this.line[this.count++] = line;
  }
}

/**
 * CSV with a line that names the columns; comma, semicolon or tab, told by that line; quotes as RFC 4180. With
 * semicolon or tab a decimal comma is read too.
 * @throws TorsiondError INPUT_NOT_FOUND, INPUT_NO_COLUMN, INPUT_FORMAT
 */
export async function openCsvRows(input: OpenInput, asked: TraceAsked): Promise<TraceRows> {
  const { path } = input;
  const parts: Buffer[] = [];
  for (let length = 0; length < headBytes(asked);) {
    const next = await input.bytes.next();
    if (next.done) break;
    parts.push(next.value);
    length += next.value.length;
  }
  const head = Buffer.concat(parts);
  const found = readTraceHead(path, head, asked);
  const reader = new CsvReader(path, found, lineEnd(head));
  return {
    unit: found.unit, timeName: found.names[found.timeAt]!, isTimeAsked: found.isTimeAsked,
    originS: () => reader.originS, notes: () => [...found.notes, ...reader.notes],
    batches: csvBatches(reader, head.subarray(found.firstByte), input),
  };
}

async function* csvBatches(reader: CsvReader, first: Buffer, input: OpenInput): AsyncGenerator<RowBatch, void, void> {
  try {
    yield* reader.take(first);
    for await (const chunk of input.bytes) yield* reader.take(chunk);
    yield* reader.finish();
  } finally {
    input.close();
  }
}

/** Walks over the bytes once; what is not a plain number is looked at again as text. */
class CsvReader {
  originS = 0;
  readonly notes: string[] = [];
  readonly #path: string;
  readonly #head: TraceHead;
  readonly #end: number;
  readonly #delimiter: number;
  /** Byte of a decimal comma, or -1. */
  readonly #point: number;
  #timeUnit: TimeUnit | null;
  #hasRows = false;
  /** Columns of each row. */
  #width: number;
  #rest: Buffer = Buffer.alloc(0);
  #line: number;
  #batch = new Batch();

  constructor(path: string, head: TraceHead, end: number) {
    this.#path = path;
    this.#head = head;
    this.#end = end;
    this.#delimiter = head.delimiter;
    this.#point = head.delimiter === 44 ? -1 : 44;
    this.#timeUnit = head.timeUnit;
    this.#line = head.firstLine;
    this.#width = head.names.length;
  }

  * take(chunk: Buffer): Generator<RowBatch, void, void> {
    const bytes = this.#rest.length === 0 ? chunk : Buffer.concat([this.#rest, chunk]);
    yield* this.#rows(bytes, false);
  }

  * finish(): Generator<RowBatch, void, void> {
    yield* this.#rows(this.#rest, true);
    if (this.#batch.count > 0) yield this.#batch;
  }

  * #rows(bytes: Buffer, isLast: boolean): Generator<RowBatch, void, void> {
    let at = 0;
    try {
      for (;;) {
        const next = this.#row(bytes, at, isLast);
        if (next < 0) break;
        at = next;
        if (!this.#batch.isFull) continue;
        yield this.#batch;
        this.#batch = new Batch();
      }
    } catch (thrown) {
      if (this.#batch.count > 0) yield this.#batch;
      this.#batch = new Batch();
      throw thrown;
    }
    this.#rest = Buffer.from(bytes.subarray(at));
    if (this.#rest.length > LONGEST_LINE_BYTES) {
      if (this.#batch.count > 0) yield this.#batch;
      this.#batch = new Batch();
      throw badRow(this.#path, this.#line, `is longer than ${LONGEST_LINE_BYTES} bytes`);
    }
  }

  /** @returns where the next row begins, or -1 when this one is not whole */
  #row(bytes: Buffer, from: number, isLast: boolean): number {
    const { timeAt, torqueAt, names } = this.#head;
    const delimiter = this.#delimiter;
    const end = this.#end;
    const length = bytes.length;
    if (from >= length) return -1;
    let at = from;
    let column = 0;
    let time = Number.NaN;
    let torque = Number.NaN;
    for (;;) {
      if (column === timeAt || column === torqueAt) {
        while (at < length && (bytes[at] === 32 || (bytes[at] === 9 && delimiter !== 9))) at++;
        let value = readDecimal(bytes, at, length, this.#point);
        at = decimalEnd;
        while (at < length && (bytes[at] === 32 || bytes[at] === 13 || (bytes[at] === 9 && delimiter !== 9)) && bytes[at] !== end) at++;
        if (at < length && bytes[at] !== delimiter && bytes[at] !== end) value = Number.NaN;
        if (column === timeAt) time = value;
        if (column === torqueAt) torque = value;
      }
      while (at < length && bytes[at] !== delimiter && bytes[at] !== end) {
        if (bytes[at] === 34) return this.#quotedRow(bytes, from, isLast);
        at++;
      }
      if (at >= length || bytes[at] === end) break;
      at++;
      column++;
    }
    if (at >= length && !isLast) return -1;
    const line = this.#line++;
    const isPlain = column === names.length - 1 && this.#width === names.length && !Number.isNaN(time) && !Number.isNaN(torque) && this.#timeUnit !== null && this.#timeUnit !== 'iso';
    if (isPlain) this.#add(this.#inSeconds(time, this.#timeUnit as Exclude<TimeUnit, 'iso'>, line), torque, line);
    else this.#textRow(bytes.toString('utf8', from, at), line);
    return at + 1;
  }

  /** A field in quotes may hold line ends. */
  #quotedRow(bytes: Buffer, from: number, isLast: boolean): number {
    let quotes = 0;
    let lines = 1;
    let at = from;
    for (; at < bytes.length; at++) {
      if (bytes[at] === 34) quotes++;
      if (bytes[at] !== this.#end) continue;
      if (quotes % 2 === 0) break;
      lines++;
    }
    if (at - from > LONGEST_LINE_BYTES) throw badRow(this.#path, this.#line, quotes % 2 === 1 ? 'its quotes do not match' : `is longer than ${LONGEST_LINE_BYTES} bytes`);
    if (at >= bytes.length) {
      if (!isLast) return -1;
      if (quotes % 2 === 1) throw badRow(this.#path, this.#line, 'its quotes do not match');
    }
    const first = this.#line;
    this.#line += lines;
    let cells: string[];
    try {
      cells = quotedCells(bytes.toString('utf8', from, at), String.fromCharCode(this.#delimiter));
    } catch {
      throw badRow(this.#path, first, 'its quotes do not match, or a line end of another kind stands in it');
    }
    this.#cells(cells, this.#line - 1);
    return at + 1;
  }

  #textRow(text: string, line: number): void {
    if (text.trim() === '' || (line === this.#head.firstLine && text.startsWith('#'))) return;
    if (text.length > LONGEST_LINE_BYTES) throw badRow(this.#path, line, `is longer than ${LONGEST_LINE_BYTES} bytes`);
    this.#cells(text.replace(/\r$/, '').split(String.fromCharCode(this.#delimiter)), line);
  }

  #cells(cells: readonly string[], line: number): void {
    const { names, timeAt, torqueAt } = this.#head;
    // Some loggers end each row with a delimiter. One row alone that does so has lost something.
    const isEnded = cells.length === names.length + 1 && cells.at(-1)!.trim() === '';
    if (!this.#hasRows && isEnded) this.#width = names.length + 1;
    if (cells.length !== this.#width || (this.#width > names.length && !isEnded)) throw badRow(this.#path, line, `has ${cells.length} columns, the header ${names.length}`);
    const time = this.#time(cells[timeAt]!.trim(), line);
    this.#add(time, this.#number(cells[torqueAt]!, LARGEST_VALUE, line, names[torqueAt]!), line);
  }

  #time(text: string, line: number): number {
    const name = this.#head.names[this.#head.timeAt]!;
    if (this.#timeUnit === null) {
      this.#timeUnit = readMoment(text) === null ? 's' : 'iso';
      if (this.#timeUnit === 's') this.notes.push(`nothing says the unit of "${name}"; it is taken for seconds (--time-unit says another)`);
    }
    if (this.#timeUnit !== 'iso') return this.#inSeconds(this.#number(text, Infinity, line, name), this.#timeUnit, line);
    const moment = readMoment(text);
    if (moment === null) throw badRow(this.#path, line, `${name} is ${text === '' ? 'empty' : `"${shorten(text)}"`}; a date and time such as 2026-11-30T08:15:00.250Z is needed`);
    if (!this.#hasRows) {
      this.originS = moment.wholeS;
      if (!moment.hasZone) this.notes.push(`"${name}" names no time zone; it is taken for UTC`);
    }
    return moment.wholeS - this.originS + moment.restS;
  }

  #inSeconds(time: number, unit: Exclude<TimeUnit, 'iso'>, line: number): number {
    const seconds = unit === 's' ? time : time / PER_SECOND[unit];
    if (Math.abs(seconds) > LATEST_S) {
      throw badRow(this.#path, line, `${this.#head.names[this.#head.timeAt]} is ${time}; a magnitude of ${LATEST_S} s at most is allowed`);
    }
    return seconds;
  }

  #number(text: string, most: number, line: number, name: string): number {
    let plain = text.trim();
    if (this.#point !== -1 && plain.includes(',') && !plain.includes('.')) plain = plain.replace(',', '.');
    const value = NUMBER.test(plain) ? Number(plain) : Number.NaN;
    return upTo(most, value, this.#path, line, `${name} is ${plain === '' ? 'empty' : `"${shorten(plain)}"`}`);
  }

  #add(timeS: number, torque: number, line: number): void {
    if (Math.abs(torque) > LARGEST_VALUE) {
      throw badRow(this.#path, line, `${this.#head.names[this.#head.torqueAt]} is "${torque}"; a magnitude of ${LARGEST_VALUE} at most is allowed`);
    }
    this.#hasRows = true;
    this.#batch.add(timeS, torque, line);
  }
}

function upTo(most: number, value: number, path: string, line: number, what: string): number {
  if (!Number.isFinite(value)) throw badRow(path, line, `${what}; a finite number is needed`);
  if (Math.abs(value) > most) throw badRow(path, line, `${what}; a magnitude of ${most} at most is allowed`);
  return value;
}

/**
 * One JSON object per line with the two numbers under the column names; other members are ignored.
 * @throws TorsiondError INPUT_NOT_FOUND, INPUT_NO_COLUMN (first line), INPUT_BAD_ROW
 */
export async function openNdjsonRows(input: OpenInput, asked: TraceAsked): Promise<TraceRows> {
  const names = { time: asked.timeColumn ?? DEFAULT_TIME, torque: asked.torqueColumn ?? DEFAULT_TORQUE };
  const said = saidUnits(input.path, names.time, names.torque, null, asked);
  const timeUnit = said.timeUnit ?? 's';
  const state = { originS: 0, notes: [...said.notes] };
  return {
    unit: said.unit, timeName: names.time, isTimeAsked: asked.timeUnit !== undefined,
    originS: () => state.originS, notes: () => state.notes, batches: ndjsonBatches(input, names, timeUnit, state),
  };
}

async function* ndjsonBatches(
  input: OpenInput, names: { readonly time: string; readonly torque: string }, timeUnit: TimeUnit, state: { originS: number; notes: string[] },
): AsyncGenerator<RowBatch, void, void> {
  const { path } = input;
  let batch = new Batch();
  let isFirst = true;
  try {
    for await (const { line, text } of readLines(input)) {
      if (text.trim() === '') continue;
      const row = jsonObject(text, path, line);
      if (isFirst) {
        for (const name of [names.time, names.torque]) {
          if (!(name in row)) throw new TorsiondError('INPUT_NO_COLUMN', `there is no column "${name}"; found are ${Object.keys(row).map((key) => `"${shorten(key)}"`).join(', ')}`, { where: path });
        }
      }
      const timeS = timeUnit === 'iso' ? jsonMoment(row[names.time], names.time, path, line, isFirst, state)
        : jsonNumber(row, names.time, LATEST_S * PER_SECOND[timeUnit], path, line) / PER_SECOND[timeUnit];
      isFirst = false;
      batch.add(timeS, jsonNumber(row, names.torque, LARGEST_VALUE, path, line), line);
      if (!batch.isFull) continue;
      yield batch;
      batch = new Batch();
    }
  } catch (thrown) {
    if (batch.count > 0) yield batch;
    throw thrown;
  } finally {
    input.close();
  }
  if (isFirst) throw new TorsiondError('INPUT_FORMAT', 'the file is empty', { where: path });
  if (batch.count > 0) yield batch;
}

function jsonObject(text: string, path: string, line: number): Record<string, unknown> {
  let object: unknown;
  try {
    object = JSON.parse(text);
  } catch {
    throw badRow(path, line, 'is no JSON');
  }
  if (typeof object !== 'object' || object === null || Array.isArray(object)) throw badRow(path, line, 'is no JSON object');
  return object as Record<string, unknown>;
}

function jsonMoment(value: unknown, name: string, path: string, line: number, isFirst: boolean, state: { originS: number; notes: string[] }): number {
  const moment = typeof value === 'string' ? readMoment(value) : null;
  if (moment === null) throw badRow(path, line, `${name} is ${shorten(JSON.stringify(value) ?? 'missing')}; a date and time such as "2026-11-30T08:15:00.250Z" is needed`);
  if (isFirst) {
    state.originS = moment.wholeS;
    if (!moment.hasZone) state.notes.push(`"${name}" names no time zone; it is taken for UTC`);
  }
  return moment.wholeS - state.originS + moment.restS;
}

function jsonNumber(row: Record<string, unknown>, name: string, most: number, path: string, line: number): number {
  const value = row[name];
  // JSON.parse reads 1e999 as Infinity.
  return upTo(most, typeof value === 'number' ? value : Number.NaN, path, line, `${name} is ${value === undefined ? 'missing' : shorten(JSON.stringify(value))}`);
}

async function* readLines(input: OpenInput): AsyncGenerator<{ line: number; text: string }, void, void> {
  const { path } = input;
  const decoder = new TextDecoder('utf-8');
  let rest = '';
  let line = 0;
  for await (const bytes of input.bytes) {
    const texts = decoder.decode(bytes, { stream: true }).split('\n');
    texts[0] = rest + texts[0];
    rest = texts.pop()!;
    for (const text of texts) {
      if (text.length > LONGEST_LINE_BYTES) throw badRow(path, line + 1, `is longer than ${LONGEST_LINE_BYTES} bytes`);
      yield { line: ++line, text };
    }
    if (rest.length > LONGEST_LINE_BYTES) throw badRow(path, line + 1, `is longer than ${LONGEST_LINE_BYTES} bytes`);
  }
  if (rest !== '') yield { line: line + 1, text: rest };
}
