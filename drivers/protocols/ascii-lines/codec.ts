/** Lines to torques. Pure: no time, no input or output, no memory beyond the line. */
import type { ErrorCode } from '../../../shared/errors.ts';
import { quoted } from '../../values/quoted.ts';
import { groupNames } from '../../values/safe-pattern.ts';
import { FieldReader, type FieldResult } from './field-reader.ts';
import { LineShapes, type ShapeField } from './line-shapes.ts';
import { NumberScanner } from './number-codec.ts';
import { columnSeparator, lineChannelCount, type AsciiLinesOptions } from './options.ts';
import { PlainWords, unitsInColumns, unitsInGroups, type UnnamedUnit } from './unnamed-units.ts';

/** Takes what the lines meant, line after line, and within a line channel after channel. */
export interface CodecSink {
  /** `unit` is a UCUM code or null, `status` STATUS bits. */
  value(channel: number, value: number, unit: string | null, status: number): void;
  /** One sample of the channel is missing here; null: one of every channel. */
  fault(channel: number | null, code: ErrorCode, message: string): void;
  /** Something about the line that costs no sample. */
  tell?(channel: number | null, code: ErrorCode, message: string): void;
  /** A line that holds no torque, or any line while an answer is awaited. @returns true when it was meant for somebody else */
  recognise(text: string): boolean;
}

const SPACE = 0x20;
const TAB = 0x09;
const RETURN = 0x0d;
const FEED = 0x0a;
const TOLD_MAX = 64;
/** Groups of a pattern that mean something. */
const MEANT_GROUP = /^(?:value|unit|status)\d*$|^channel$/;

export class AsciiLinesCodec {
  /** Channels in a line; those that send one channel a line by name count all. */
  readonly channelCount: number;
  /** While true every line is first offered as an answer. */
  isAnswerAwaited = false;
  readonly #options: AsciiLinesOptions;
  readonly #separator: string | null;
  readonly #separatorByte: number;
  /** Which channel stands in each column, -1 for none; null when lines need more than numbers in columns. */
  readonly #plan: Int16Array | null;
  readonly #row: Float64Array;
  readonly #scanner: NumberScanner;
  readonly #fields: FieldReader;
  readonly #shapes: LineShapes | null;
  readonly #pattern: RegExp | null;
  /** Per channel what follows `value`, `unit` and `status` in the names of the pattern's groups. */
  readonly #suffixes: readonly string[];
  readonly #decoder = new TextDecoder('utf-8');
  readonly #used: ReadonlyMap<number, number | 'other'>;
  /** Status columns of the line, from 1. */
  readonly #statusColumns: readonly number[];
  readonly #plainWords = new PlainWords();
  /** Units told of already, each once. */
  readonly #told = new Set<string>();

  constructor(options: AsciiLinesOptions) {
    this.#options = options;
    this.channelCount = lineChannelCount(options);
    this.#separator = columnSeparator(options);
    this.#separatorByte = this.#separator?.length === 1 ? this.#separator.charCodeAt(0) : -1;
    this.#plan = columnPlan(options, this.#separator);
    this.#used = usedColumns(options);
    this.#statusColumns = [...new Set(options.channels.map((place) => place.statusColumn).filter((column) => typeof column === 'number'))];
    this.#row = new Float64Array(this.channelCount);
    this.#scanner = new NumberScanner(options.decimal === 'comma' ? 0x2c : 0x2e);
    this.#fields = new FieldReader(options);
    this.#shapes = LineShapes.of(options, this.#separator, this.#scanner);
    this.#suffixes = valueSuffixes(options.pattern ?? '');
    this.#pattern = options.pattern === undefined ? null : new RegExp(options.pattern, 'u');
  }

  /** `count` lines as in `FrameSink.frames`. */
  decode(bytes: Uint8Array, bounds: Int32Array, count: number, sink: CodecSink): void {
    const plan = this.#plan;
    const row = this.#row;
    const shapes = this.#shapes;
    for (let i = 0; i < count; i++) {
      const start = bounds[2 * i]!;
      const end = bounds[2 * i + 1]!;
      if (this.isAnswerAwaited || plan === null || !this.#readRow(bytes, start, end, plan)) {
        if (this.isAnswerAwaited || shapes === null || !shapes.tell(bytes, start, end, sink)) this.#decodeText(bytes, start, end, sink);
        continue;
      }
      for (let channel = 0; channel < row.length; channel++) sink.value(channel, row[channel]!, null, 0);
    }
  }

  /** The line's text without blanks at its ends; null when it holds bytes that the encoding does not have. */
  text(bytes: Uint8Array): string | null {
    const { encoding } = this.#options;
    if (encoding === 'utf8') return this.#decoder.decode(bytes).trim();
    if (encoding === 'ascii') for (let i = 0; i < bytes.length; i++) if (bytes[i]! > 0x7f) return null;
    return latin1(bytes).trim();
  }

  /** Numbers in columns and nothing else, the usual line. @returns false when the line needs a closer look */
  #readRow(bytes: Uint8Array, start: number, end: number, plan: Int16Array): boolean {
    const separator = this.#separatorByte;
    const isSpaced = separator === SPACE;
    const scanner = this.#scanner;
    const row = this.#row;
    let seen = 0;
    let i = start;
    for (let column = 0; column < plan.length; column++) {
      while (i < end && isBlank(bytes[i]!) && (isSpaced || bytes[i] !== TAB)) i++;
      const channel = plan[column]!;
      if (channel < 0) {
        const from = i;
        for (; i < end && bytes[i] !== separator && !(isSpaced && bytes[i] === TAB); i++) seen |= bytes[i]!;
        if (!this.#plainWords.has(bytes, from, i)) return false;
      } else {
        i = scanner.scan(bytes, i, end);
        if (i < 0) return false;
        row[channel] = scanner.value;
        if (!isSpaced) while (i < end && isBlank(bytes[i]!) && bytes[i] !== separator) i++;
      }
      if (i === end) {
        if (column < plan.length - 1) return false;
        break;
      }
      if (isSpaced ? !isBlank(bytes[i]!) : bytes[i] !== separator) return false;
      i++;
    }
    if (!this.#plainWords.haveAll(bytes, i, end, (byte) => byte === separator || (isSpaced && byte === TAB))) return false;
    for (; i < end; i++) seen |= bytes[i]!;
    return (seen & 0x80) === 0 || this.#options.encoding !== 'ascii';
  }

  #decodeText(bytes: Uint8Array, start: number, end: number, sink: CodecSink): void {
    const line = bytes.subarray(start, end);
    const text = this.text(line);
    if (text === null) {
      sink.fault(null, 'FRAME_UNREADABLE', `bytes that are not ASCII: ${quoted(latin1(line))}`);
      return;
    }
    if (this.isAnswerAwaited && sink.recognise(text)) return;
    const results = this.#pattern ? this.#byPattern(this.#pattern, text) : this.#byColumns(text);
    const isAllFault = results === null || results.fields.every((result) => result.field.kind === 'fault');
    if (isAllFault && sink.recognise(text)) return;
    if (results === null) {
      sink.fault(null, 'FRAME_UNREADABLE', text === '' ? 'an empty line' : `no torque in ${quoted(text)}`);
      return;
    }
    const told: ShapeField[] | null = this.#shapes && [];
    for (const { channel, field } of results.fields) {
      if (field.kind === 'value') {
        const unit = field.unit ?? this.#unitOf(channel, results.unnamed, sink);
        sink.value(channel, field.value, unit, field.status);
        told?.push({ channel, value: field.value, unit, status: field.status });
      } else sink.fault(channel, field.code, field.message);
    }
    if (told?.length === results.fields.length && results.unnamed.length === 0) this.#shapes!.learn(bytes, start, end, told);
  }

  /** Of a torque that has none beside it. The line's word counts wherever it stands. */
  #unitOf(channel: number, unnamed: readonly UnnamedUnit[], sink: CodecSink): string | null {
    const found = unnamed.find(({ owner }) => owner === channel) ?? unnamed.find(({ owner }) => owner === 'line') ?? unnamed[0];
    if (!found) return null;
    const key = `${channel} ${found.place} ${found.unit}`;
    if (!this.#told.has(key)) {
      if (this.#told.size >= TOLD_MAX) this.#told.clear();
      this.#told.add(key);
      const taken = found.owner === null ? 'it is not taken, because nobody can tell whose it is' : 'the unit of the line is taken';
      sink.tell?.(channel, 'UNIT_UNNAMED', `the line names the unit ${found.unit} in ${found.place}, which no option of the driver names; ${taken}`);
    }
    return found.owner === null ? null : found.unit;
  }

  /** Null when the line is not of this form at all. */
  #byColumns(text: string): LineResult | null {
    if (text === '') return null;
    const columns = this.#separator === null ? [text] : this.#separator === ' ' ? text.split(/[ \t]+/) : text.split(this.#separator);
    const { channels, lineChannel } = this.#options;
    const at = (column: number | null | undefined): string | undefined => (typeof column === 'number' ? columns[column - 1] : undefined);
    if (lineChannel) {
      const channel = lineChannel.names.indexOf(at(lineChannel.column)?.trim() ?? '');
      const place = channels[0]!;
      if (channel < 0 || at(place.column) === undefined) return null;
      const unnamed = unitsInColumns(columns, this.#used, this.#plainWords).map((one) => (one.owner === 0 ? { ...one, owner: channel } : one));
      return { fields: [{ channel, field: this.#fields.read(at(place.column), at(place.unitColumn), at(place.statusColumn)) }], unnamed };
    }
    if (channels.every((place) => at(place.column) === undefined)) return null;
    const fields = channels.map((place, channel) => ({ channel, field: this.#fields.read(at(place.column), at(place.unitColumn), at(place.statusColumn), place.statusColumn === undefined ? this.#statusColumns.map(at) : []) }));
    return { fields, unnamed: unitsInColumns(columns, this.#used, this.#plainWords) };
  }

  #byPattern(pattern: RegExp, text: string): LineResult | null {
    const match = pattern.exec(text);
    const groups = match?.groups;
    if (!groups) return null;
    const named = Object.entries(groups).filter(([name]) => MEANT_GROUP.test(name)).map(([, caught]) => caught);
    const unnamed = unitsInGroups(match.slice(1).filter((caught) => caught !== undefined && !named.includes(caught)), this.#plainWords);
    const { lineChannel } = this.#options;
    if (lineChannel) {
      const channel = lineChannel.names.indexOf(groups['channel']?.trim() ?? '');
      return channel < 0 ? null : { fields: [{ channel, field: this.#fields.read(groups['value'], groups['unit'], groups['status']) }], unnamed };
    }
    // A unit or status without a number speaks for every channel.
    const fields = this.#suffixes.map((suffix, channel) => ({
      channel, field: this.#fields.read(groups[`value${suffix}`], groups[`unit${suffix}`] ?? groups['unit'], groups[`status${suffix}`] ?? groups['status'], this.#lineStatus(groups, suffix)),
    }));
    return { fields, unnamed };
  }

  /** What else on the line is said of a channel: the status of the whole line, and that of the others where neither is there. */
  #lineStatus(groups: Readonly<Record<string, string | undefined>>, suffix: string): readonly (string | undefined)[] {
    const hasOwn = 'status' in groups || `status${suffix}` in groups;
    return Object.entries(groups).filter(([name]) => name === 'status' || (!hasOwn && /^status\d+$/.test(name))).map(([, text]) => text);
  }
}

interface LineResult {
  readonly fields: readonly ChannelResult[];
  readonly unnamed: readonly UnnamedUnit[];
}

interface ChannelResult {
  readonly channel: number;
  readonly field: FieldResult;
}

function isBlank(byte: number): boolean {
  return byte === SPACE || byte === TAB || byte === RETURN || byte === FEED;
}

function latin1(bytes: Uint8Array): string {
  return Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength).toString('latin1');
}

/** What follows `value` in the names of the groups, in order of the channels: '' or '1', '2' … */
function valueSuffixes(pattern: string): readonly string[] {
  const suffixes = groupNames(pattern).filter((name) => /^value\d*$/.test(name)).map((name) => name.slice(5));
  return suffixes.sort((a, b) => Number(a || 0) - Number(b || 0));
}

/** Columns that mean something, from 0. */
function usedColumns(options: AsciiLinesOptions): ReadonlyMap<number, number | 'other'> {
  const used = new Map<number, number | 'other'>();
  options.channels.forEach((place, channel) => {
    for (const column of [place.unitColumn, place.statusColumn]) if (typeof column === 'number') used.set(column - 1, 'other');
    used.set(place.column - 1, channel);
  });
  if (options.lineChannel?.column !== undefined) used.set(options.lineChannel.column - 1, 'other');
  return used;
}

function columnPlan(options: AsciiLinesOptions, separator: string | null): Int16Array | null {
  const isPlain = options.pattern === undefined && options.lineChannel === undefined && (separator === null || separator.length === 1)
    && options.channels.every((place) => place.unitColumn === undefined && typeof place.statusColumn !== 'number');
  if (!isPlain || (separator !== null && separator.charCodeAt(0) > 0x7f)) return null;
  const plan = new Int16Array(Math.max(...options.channels.map((place) => place.column))).fill(-1);
  options.channels.forEach((place, channel) => {
    plan[place.column - 1] = channel;
  });
  return plan;
}
