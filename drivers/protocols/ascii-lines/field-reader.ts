/** One torque with what stands around it: sign words, unit, status words. */
import type { ErrorCode } from '../../../shared/errors.ts';
import { LARGEST_VALUE, STATUS } from '../../../shared/sample-block.ts';
import { unitFromSpelling } from '../../../shared/units.ts';
import { quoted } from '../../values/quoted.ts';
import type { AsciiLinesOptions } from './options.ts';

export type FieldResult =
  /** `unit`: the UCUM code that stands with it; null: none does. */
  | { readonly kind: 'value'; readonly value: number; readonly unit: string | null; readonly status: number }
  | { readonly kind: 'fault'; readonly code: ErrorCode; readonly message: string };

/** What words say together. `unknown` is the first one that says nothing known. */
interface Meaning {
  readonly unit: string | null;
  readonly status: number;
  readonly side: 1 | -1 | 0;
  readonly unknown: string | null;
}

type Word = { readonly kind: 'side'; readonly side: 1 | -1 } | { readonly kind: 'status'; readonly bits: number };

/** Devices use a handful of words; garbage must not fill the memory. */
const REMEMBERED_MAX = 64;
const NOT_FINITE = /^[+-]?(?:nan|inf|infinity)$/i;

export class FieldReader {
  readonly #number: RegExp;
  readonly #decimalComma: boolean;
  readonly #words = new Map<string, Word>();
  readonly #remembered = new Map<string, Meaning>();

  constructor(options: AsciiLinesOptions) {
    this.#decimalComma = options.decimal === 'comma';
    const point = this.#decimalComma ? ',' : '\\.';
    // The number must stand alone: not be a part of a word or of a longer number.
    this.#number = new RegExp(`^([^\\d+\\-.,]*)([+-]?)[ \\t]*(\\d+(?:${point}\\d*)?|${point}\\d+)([eE][+-]?\\d+)?(?![\\d.,])(.*)$`, 's');
    const add = (words: readonly string[], word: Word): void => words.forEach((text) => this.#words.set(text.toLowerCase(), word));
    add(options.status.good, { kind: 'status', bits: 0 });
    add(options.status.overload, { kind: 'status', bits: STATUS.overload });
    add(options.status.unstable, { kind: 'status', bits: STATUS.unstable });
    add(options.sign.positive, { kind: 'side', side: 1 });
    add(options.sign.negative, { kind: 'side', side: -1 });
  }

  /**
   * `unitText` and `statusText` are undefined where the line has no place for them.
   * @param lineStatus status words elsewhere on the line that count here; a direction among them does not
   */
  read(valueText: string | undefined, unitText?: string, statusText?: string, lineStatus: readonly (string | undefined)[] = []): FieldResult {
    const text = valueText?.trim() ?? '';
    const parts = this.#number.exec(text);
    const apart = this.#meaning(statusText ?? '');
    if (apart.unknown !== null) return unreadable(`${quoted(apart.unknown)} is no known status word`);
    let elsewhere = 0;
    for (const words of lineStatus) {
      const { status, unknown } = this.#meaning(words ?? '');
      if (unknown !== null) return unreadable(`${quoted(unknown)} is no known status word`);
      elsewhere |= status;
    }
    if (!parts) return this.#withoutNumber(text, apart.status | elsewhere);

    const around = this.#meaning(`${parts[1]!} ${parts[5]!}`);
    if (around.unknown !== null) return unreadable(`${quoted(around.unknown)} in ${quoted(text)} is no known unit, sign or status`);
    const unitWord = unitText?.trim() ?? '';
    const named = unitWord === '' ? null : unitFromSpelling(unitWord);
    if (unitWord !== '' && !named) return { kind: 'fault', code: 'UNIT_UNKNOWN', message: `${quoted(unitWord)} is no torque unit` };

    const digits = this.#decimalComma ? parts[3]!.replace(',', '.') : parts[3]!;
    const magnitude = Number(digits + (parts[4] ?? ''));
    if (!(magnitude <= LARGEST_VALUE)) return notFinite(text);
    const side = around.side || apart.side;
    if ((around.side && apart.side && around.side !== apart.side) || (side === 1 && parts[2] === '-')) {
      return unreadable(`sign and direction of ${quoted(text)} contradict each other`);
    }
    const isNegative = side === -1 || parts[2] === '-';
    return {
      kind: 'value', value: isNegative ? -magnitude : magnitude,
      unit: named?.ucum ?? around.unit, status: around.status | apart.status | elsewhere,
    };
  }

  #withoutNumber(text: string, status: number): FieldResult {
    if (NOT_FINITE.test(text)) return notFinite(text);
    const meaning = this.#meaning(text);
    const isOverload = (((meaning.unknown === null ? meaning.status : 0) | status) & STATUS.overload) !== 0;
    if (isOverload) return { kind: 'fault', code: 'VALUE_OVERLOAD', message: 'the device reports overload and gives no value' };
    return unreadable(text === '' ? 'the place of the torque is empty' : `no torque in ${quoted(text)}`);
  }

  #meaning(text: string): Meaning {
    const known = this.#remembered.get(text);
    if (known) return known;
    const meaning = this.#interpret(text.trim());
    if (this.#remembered.size >= REMEMBERED_MAX) this.#remembered.clear();
    this.#remembered.set(text, meaning);
    return meaning;
  }

  #interpret(text: string): Meaning {
    let unit: string | null = null;
    let status = 0;
    let side: 1 | -1 | 0 = 0;
    const words = text === '' ? [] : text.split(/[\s;]+/);
    for (let i = 0; i < words.length; i++) {
      const word = this.#words.get(words[i]!.toLowerCase());
      if (word?.kind === 'side') {
        if (side !== 0 && side !== word.side) return { unit, status, side, unknown: words[i]! };
        side = word.side;
      } else if (word) {
        status |= word.bits;
      } else {
        // A unit may be written in two words, such as "N m".
        const two = i + 1 < words.length ? unitFromSpelling(words[i]! + words[i + 1]!) : null;
        const found = two ?? unitFromSpelling(words[i]!);
        if (!found || unit !== null) return { unit, status, side, unknown: words[i]! };
        unit = found.ucum;
        if (two) i++;
      }
    }
    return { unit, status, side, unknown: null };
  }
}

function unreadable(message: string): FieldResult {
  return { kind: 'fault', code: 'FRAME_UNREADABLE', message };
}

function notFinite(text: string): FieldResult {
  return { kind: 'fault', code: 'VALUE_NOT_FINITE', message: `${quoted(text)} is no number that a torque can be` };
}
