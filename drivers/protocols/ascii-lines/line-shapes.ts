/**
 * Lines that are the same as an earlier one but for their numbers, as nearly all lines of a device are: what stands
 * around the numbers meant a unit and a status then and does now. Only a line that was read the long way is remembered,
 * and only where nothing in its meaning could have hung on the numbers.
 */
import type { NumberScanner } from './number-codec.ts';
import type { AsciiLinesOptions } from './options.ts';

/** What stood for one place of a torque, in the order of the places. */
export interface ShapeField {
  readonly channel: number;
  readonly value: number;
  readonly unit: string | null;
  readonly status: number;
}

export interface ValueSink {
  value(channel: number, value: number, unit: string | null, status: number): void;
}

interface Shape {
  /** Bytes before each number, and behind the last. */
  readonly around: readonly Uint8Array[];
  /** Which field each number is, in the order of the line. */
  readonly order: readonly number[];
  readonly fields: readonly ShapeField[];
}

interface Place {
  readonly field: number;
  readonly from: number;
  readonly to: number;
}

const MOST_SHAPES = 8;
/** So many lines went the long way and none came again: something else in them changes, such as a counter. No more is remembered then. */
const MOST_IN_VAIN = 64;
const SPACE = 0x20;
const TAB = 0x09;
/** A column or a number could begin or end anywhere with such a separator. */
const PART_OF_NUMBER = /[\d+\-.,]/;

export class LineShapes {
  readonly #columns: readonly number[];
  /** -1: the whole line is one column. */
  readonly #separator: number;
  readonly #scanner: NumberScanner;
  readonly #row: Float64Array;
  #shapes: Shape[] = [];
  #latest = 0;
  #inVain = 0;

  /** @returns null where the meaning of a line may hang on its numbers, or is too much to follow */
  static of(options: AsciiLinesOptions, separator: string | null, scanner: NumberScanner): LineShapes | null {
    const isFollowed = separator === null || (separator.length === 1 && separator.charCodeAt(0) < 0x80 && !PART_OF_NUMBER.test(separator));
    // With words for the direction the sign of a number decides whether the line contradicts itself.
    const hasSides = options.sign.negative.length + options.sign.positive.length > 0;
    return options.pattern !== undefined || hasSides || !isFollowed ? null : new LineShapes(options, separator, scanner);
  }

  private constructor({ channels }: AsciiLinesOptions, separator: string | null, scanner: NumberScanner) {
    this.#columns = channels.map(({ column }) => column - 1);
    this.#separator = separator === null ? -1 : separator.charCodeAt(0);
    this.#scanner = scanner;
    this.#row = new Float64Array(channels.length);
  }

  /** @returns whether the line was known and has been told */
  tell(bytes: Uint8Array, start: number, end: number, sink: ValueSink): boolean {
    const shapes = this.#shapes;
    for (let n = 0, at = this.#latest; n < shapes.length; n++, at = at + 1 === shapes.length ? 0 : at + 1) {
      const shape = shapes[at]!;
      if (!this.#fits(shape, bytes, start, end)) continue;
      this.#latest = at;
      this.#inVain = 0;
      const { fields } = shape;
      for (let i = 0; i < fields.length; i++) {
        const { channel, unit, status } = fields[i]!;
        sink.value(channel, this.#row[i]!, unit, status);
      }
      return true;
    }
    return false;
  }

  /** @param fields what the long way made of the line, all values */
  learn(bytes: Uint8Array, start: number, end: number, fields: readonly ShapeField[]): void {
    if (this.#inVain > MOST_IN_VAIN) return;
    if (++this.#inVain > MOST_IN_VAIN) {
      this.#shapes = [];
      return;
    }
    const places = this.#places(bytes, start, end);
    if (places === null || places.length !== fields.length) return;
    const around: Uint8Array[] = [];
    let at = start;
    for (const { field, from, to } of places) {
      this.#scanner.scan(bytes, from, end);
      if (!Object.is(this.#scanner.value, fields[field]!.value)) return;
      around.push(bytes.slice(at, from));
      at = to;
    }
    around.push(bytes.slice(at, end));
    this.#latest = this.#shapes.length < MOST_SHAPES ? this.#shapes.length : (this.#latest + 1) % MOST_SHAPES;
    this.#shapes[this.#latest] = { around, order: places.map(({ field }) => field), fields };
  }

  #fits({ around, order }: Shape, bytes: Uint8Array, start: number, end: number): boolean {
    const scanner = this.#scanner;
    let i = start;
    for (let n = 0; ; n++) {
      const wanted = around[n]!;
      const { length } = wanted;
      if (length > end - i) return false;
      for (let k = 0; k < length; k++) if (bytes[i + k] !== wanted[k]) return false;
      i += length;
      if (n === order.length) return i === end;
      i = scanner.scan(bytes, i, end);
      if (i < 0) return false;
      this.#row[order[n]!] = scanner.value;
    }
  }

  /** Where the numbers of the fields stand, in the order of the line; null: not as plain as that. */
  #places(bytes: Uint8Array, start: number, end: number): Place[] | null {
    let from = start;
    let to = end;
    while (to > from && (isBlank(bytes[to - 1]!) || bytes[to - 1] === 0x0d || bytes[to - 1] === 0x0a)) to--;
    while (from < to && isBlank(bytes[from]!)) from++;
    // What else is blank, or cut off at the ends, is left to the long way.
    for (let i = from; i < to; i++) if ((bytes[i]! < SPACE && bytes[i] !== TAB) || bytes[i]! > 0x7e) return null;
    const places: Place[] = [];
    const isSpaced = this.#separator === SPACE;
    for (let column = 0, at = from; at <= to; column++) {
      let next = at;
      while (next < to && this.#separator >= 0 && bytes[next] !== this.#separator && !(isSpaced && bytes[next] === TAB)) next++;
      if (this.#separator < 0) next = to;
      const field = this.#columns.indexOf(column);
      if (field >= 0) {
        const place = this.#numberIn(bytes, at, next);
        if (place === null) return null;
        places.push({ field, ...place });
      }
      at = next + 1;
      if (isSpaced) while (at < to && isBlank(bytes[at]!)) at++;
    }
    return places;
  }

  /** The number that `FieldReader` finds in a column, behind letters and blanks. */
  #numberIn(bytes: Uint8Array, from: number, to: number): { readonly from: number; readonly to: number } | null {
    let at = from;
    while (at < to && !isPartOfNumber(bytes[at]!)) at++;
    const end = this.#scanner.scan(bytes, at, to);
    return end < 0 || (end < to && (isPartOfNumber(bytes[end]!) || (bytes[end]! | 0x20) === 0x65)) ? null : { from: at, to: end };
  }
}

function isBlank(byte: number): boolean {
  return byte === SPACE || byte === TAB;
}

/** Digits, signs, point and comma. */
function isPartOfNumber(byte: number): boolean {
  return (byte >= 0x30 && byte <= 0x39) || (byte >= 0x2b && byte <= 0x2e);
}
