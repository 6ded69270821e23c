/**
 * Torque units that a line spells in a place which the settings do not name. A device that says what it shows must not be
 * overheard: its newton centimetres would be taken for newton metres.
 */
import { unitFromSpelling } from '../../../shared/units.ts';

export interface UnnamedUnit {
  /** Where it stands, as a person would say it. */
  readonly place: string;
  /** UCUM code. */
  readonly unit: string;
  /** Whose unit it is: a channel's, the whole line's; null: of a number that is no channel, or nobody can tell. */
  readonly owner: number | 'line' | null;
}

/** Devices use a handful of words; garbage must not fill the memory. */
const REMEMBERED_MAX = 64;
const LETTER_BIT = 0x40;
const NUMBER = /^[+-]?[\d.,]+(?:[eE][+-]?\d+)?$/;

/** Words of lines that were looked at and spell no unit, so that the usual line need not be taken apart again. */
export class PlainWords {
  readonly #hashes = new Set<number>();

  /** Whether the bytes are such a word, or hold no letter. */
  has(bytes: Uint8Array, from: number, to: number): boolean {
    let letters = 0;
    for (let i = from; i < to; i++) letters |= bytes[i]!;
    if ((letters & LETTER_BIT) === 0) return true;
    while (to > from && bytes[to - 1]! <= 0x20) to--;
    while (from < to && bytes[from]! <= 0x20) from++;
    let hash = to - from;
    for (let i = from; i < to; i++) hash = Math.imul(hash ^ bytes[i]!, 0x01000193);
    return this.#hashes.has(hash);
  }

  /** Every column of a rest of a line. */
  haveAll(bytes: Uint8Array, from: number, to: number, isSeparator: (byte: number) => boolean): boolean {
    for (let start = from, i = from; i <= to; i++) {
      if (i < to && !isSeparator(bytes[i]!)) continue;
      if (!this.has(bytes, start, i)) return false;
      start = i + 1;
    }
    return true;
  }

  add(word: string): void {
    if (this.#hashes.size >= REMEMBERED_MAX) this.#hashes.clear();
    let hash = word.length;
    for (let i = 0; i < word.length; i++) hash = Math.imul(hash ^ word.charCodeAt(i), 0x01000193);
    this.#hashes.add(hash);
  }
}

/**
 * @param used per column, from 0: the channel whose torque stands there, 'other' for what the settings name otherwise
 * A unit behind the torque of a channel is that channel's, behind a number of nobody it is that number's, and elsewhere
 * it is the line's.
 */
export function unitsInColumns(columns: readonly string[], used: ReadonlyMap<number, number | 'other'>, plain: PlainWords): readonly UnnamedUnit[] {
  const found: UnnamedUnit[] = [];
  columns.forEach((column, i) => {
    if (used.has(i)) return;
    const unit = spelled(column, plain);
    if (unit === null) return;
    const before = i === 0 ? 'other' : used.get(i - 1);
    const isBehindNumber = before === undefined && NUMBER.test(columns[i - 1]!.trim());
    found.push({ place: `column ${i + 1}`, unit, owner: typeof before === 'number' ? before : isBehindNumber ? null : 'line' });
  });
  return certain(found);
}

/** @param groups what the groups of a pattern caught that the settings give no meaning */
export function unitsInGroups(groups: readonly string[], plain: PlainWords): readonly UnnamedUnit[] {
  return certain(groups.flatMap((text) => {
    const unit = spelled(text, plain);
    return unit === null ? [] : [{ place: 'a group that is not called "unit"', unit, owner: 'line' as const }];
  }));
}

function spelled(text: string, plain: PlainWords): string | null {
  const word = text.trim();
  if (!/[a-z]/i.test(word)) return null;
  const unit = unitFromSpelling(word);
  if (!unit) plain.add(word);
  return unit?.ucum ?? null;
}

/** Two different units of the line: nobody can tell whose they are. */
function certain(found: readonly UnnamedUnit[]): readonly UnnamedUnit[] {
  const ofLine = new Set(found.filter(({ owner }) => owner === 'line').map(({ unit }) => unit));
  return ofLine.size < 2 ? found : found.map((one) => (one.owner === 'line' ? { ...one, owner: null } : one));
}
