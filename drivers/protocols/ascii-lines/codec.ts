/** Lines to torques. Pure: no time, no input or output, no memory beyond the line. */
import type { ErrorCode } from '../../../shared/errors.ts';
import { quoted } from '../../values/quoted.ts';
import { FieldReader, type FieldResult } from './field-reader.ts';
import { NumberScanner } from './number-codec.ts';
import { channelCount, columnSeparator, type AsciiLinesOptions } from './options.ts';
import { groupNames } from './safe-pattern.ts';

/** Takes what the lines meant, line after line, and within a line channel after channel. */
export interface CodecSink {
  /** `unit` is a UCUM code or null, `status` STATUS bits. */
  value(channel: number, value: number, unit: string | null, status: number): void;
  /** One sample of the channel is missing here; null: one of every channel. */
  fault(channel: number | null, code: ErrorCode, message: string): void;
  /** A line that holds no torque, or any line while an answer is awaited. @returns true when it was meant for somebody else */
  recognise(text: string): boolean;
}

const SPACE = 0x20;
const TAB = 0x09;
const RETURN = 0x0d;
const FEED = 0x0a;

export class AsciiLinesCodec {
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
  readonly #pattern: RegExp | null;
  /** Per channel what follows `value`, `unit` and `status` in the names of the pattern's groups. */
  readonly #suffixes: readonly string[];
  readonly #decoder = new TextDecoder('utf-8');

  constructor(options: AsciiLinesOptions) {
    this.#options = options;
    this.channelCount = channelCount(options);
    this.#separator = columnSeparator(options);
    this.#separatorByte = this.#separator?.length === 1 ? this.#separator.charCodeAt(0) : -1;
    this.#plan = columnPlan(options, this.#separator);
    this.#row = new Float64Array(this.channelCount);
    this.#scanner = new NumberScanner(options.decimal === 'comma' ? 0x2c : 0x2e);
    this.#fields = new FieldReader(options);
    this.#suffixes = valueSuffixes(options.pattern ?? '');
    this.#pattern = options.pattern === undefined ? null : new RegExp(options.pattern, 'u');
  }

  /** `count` lines as in `FrameSink.frames`. */
  decode(bytes: Uint8Array, bounds: Int32Array, count: number, sink: CodecSink): void {
    const plan = this.#plan;
    const row = this.#row;
    const unit = this.#options.unit;
    for (let i = 0; i < count; i++) {
      const start = bounds[2 * i]!;
      const end = bounds[2 * i + 1]!;
      if (plan === null || this.isAnswerAwaited || !this.#readRow(bytes, start, end, plan)) {
        this.#decodeText(bytes, start, end, sink);
        continue;
      }
      for (let channel = 0; channel < row.length; channel++) sink.value(channel, row[channel]!, unit, 0);
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
        for (; i < end && bytes[i] !== separator && !(isSpaced && bytes[i] === TAB); i++) seen |= bytes[i]!;
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
    const isAllFault = results === null || results.every((result) => result.field.kind === 'fault');
    if (isAllFault && sink.recognise(text)) return;
    if (results === null) {
      sink.fault(null, 'FRAME_UNREADABLE', text === '' ? 'an empty line' : `no torque in ${quoted(text)}`);
      return;
    }
    for (const { channel, field } of results) {
      if (field.kind === 'value') sink.value(channel, field.value, field.unit, field.status);
      else sink.fault(channel, field.code, field.message);
    }
  }

  /** Null when the line is not of this form at all. */
  #byColumns(text: string): ChannelResult[] | null {
    if (text === '') return null;
    const columns = this.#separator === null ? [text] : this.#separator === ' ' ? text.split(/[ \t]+/) : text.split(this.#separator);
    const { channels, lineChannel } = this.#options;
    const at = (column: number | undefined): string | undefined => (column === undefined ? undefined : columns[column - 1]);
    if (lineChannel) {
      const channel = lineChannel.names.indexOf(at(lineChannel.column)?.trim() ?? '');
      const place = channels[0]!;
      if (channel < 0 || at(place.column) === undefined) return null;
      return [{ channel, field: this.#fields.read(at(place.column), at(place.unitColumn), at(place.statusColumn)) }];
    }
    if (channels.every((place) => at(place.column) === undefined)) return null;
    return channels.map((place, channel) => ({ channel, field: this.#fields.read(at(place.column), at(place.unitColumn), at(place.statusColumn)) }));
  }

  #byPattern(pattern: RegExp, text: string): ChannelResult[] | null {
    const groups = pattern.exec(text)?.groups;
    if (!groups) return null;
    const { lineChannel } = this.#options;
    if (lineChannel) {
      const channel = lineChannel.names.indexOf(groups['channel']?.trim() ?? '');
      return channel < 0 ? null : [{ channel, field: this.#fields.read(groups['value'], groups['unit'], groups['status']) }];
    }
    // A unit or status without a number speaks for every channel.
    return this.#suffixes.map((suffix, channel) => ({
      channel, field: this.#fields.read(groups[`value${suffix}`], groups[`unit${suffix}`] ?? groups['unit'], groups[`status${suffix}`] ?? groups['status']),
    }));
  }
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

function columnPlan(options: AsciiLinesOptions, separator: string | null): Int16Array | null {
  const isPlain = options.pattern === undefined && options.lineChannel === undefined && (separator === null || separator.length === 1)
    && options.channels.every((place) => place.unitColumn === undefined && place.statusColumn === undefined);
  if (!isPlain || (separator !== null && separator.charCodeAt(0) > 0x7f)) return null;
  const plan = new Int16Array(Math.max(...options.channels.map((place) => place.column))).fill(-1);
  options.channels.forEach((place, channel) => {
    plan[place.column - 1] = channel;
  });
  return plan;
}
