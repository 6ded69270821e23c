/**
 * Codes among key presses. A scanner that acts as a keyboard types faster than a person can and ends with Enter; a
 * person at the page must never lose a key to it. Pure: times come with the keys.
 */

/** Slower than this is a person, ms between two keys. A person's fastest pairs come near it, four of them in a row do not. */
export const KEY_GAP_MS = 35;
/** Once it is a scanner's burst, the closing Enter may take longer, ms. */
export const ENTER_GAP_MS = 200;
export const CODE_LENGTH_MIN = 4;
/** As long as the command `scan` takes. */
export const CODE_LENGTH_MAX = 512;

export interface KeyPress {
  /** As in a browser's keyboard event. */
  readonly key: string;
  /** Monotonic, ms. */
  readonly atMs: number;
  /** Held down until it repeats itself. */
  readonly isRepeat: boolean;
  /** An input method is putting a character together. */
  readonly isComposing: boolean;
  /** Together with Ctrl, Alt or Meta; AltGr makes characters and is none. */
  readonly isChord: boolean;
  /** Where it goes to is a place for text. */
  readonly isInText: boolean;
}

/** `isTaken`: belongs to a scanner and must do nothing else. */
export type KeyOutcome =
  | { readonly kind: 'key'; readonly isTaken: boolean }
  | { readonly kind: 'code'; readonly isTaken: true; readonly code: string }
  /** A code with keys in it that are no characters, or one that is too long: what it says is not known. */
  | { readonly kind: 'spoilt'; readonly isTaken: true };

const LEFT: KeyOutcome = { kind: 'key', isTaken: false };
const TAKEN: KeyOutcome = { kind: 'key', isTaken: true };
/** Pressed along with others; alone they say nothing. */
const BESIDE = new Set(['Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock', 'NumLock', 'ScrollLock', 'Fn', 'Unidentified']);

export class KeyBurst {
  #text = '';
  #keys = 0;
  #isSpoilt = false;
  #lastMs = -Infinity;

  press({ key, atMs, isRepeat, isComposing, isChord, isInText }: KeyPress): KeyOutcome {
    if (isInText || isRepeat || isComposing || key === 'Process') {
      this.#forget();
      return LEFT;
    }
    if (BESIDE.has(key)) return LEFT;
    const gapMs = atMs - this.#lastMs;
    const isNext = this.#keys > 0 && gapMs >= 0 && gapMs <= KEY_GAP_MS;
    if (key === 'Enter' && !isChord) return this.#enter(isNext, gapMs);
    const isCharacter = !isChord && [...key].length === 1;
    if (!isNext) {
      this.#forget();
      if (!isCharacter) return LEFT;
    }
    this.#keys++;
    this.#lastMs = atMs;
    if (isCharacter && this.#text.length + key.length <= CODE_LENGTH_MAX) this.#text += key;
    else this.#isSpoilt = true;
    return isNext ? TAKEN : LEFT;
  }

  #enter(isNext: boolean, gapMs: number): KeyOutcome {
    const isBurst = this.#keys >= CODE_LENGTH_MIN && gapMs >= 0 && gapMs <= ENTER_GAP_MS;
    const code = this.#text.trim();
    const isSpoilt = this.#isSpoilt;
    this.#forget();
    if (isBurst && isSpoilt) return { kind: 'spoilt', isTaken: true };
    if (isBurst && code.length >= CODE_LENGTH_MIN) return { kind: 'code', isTaken: true, code };
    // Too short for a code, yet no person's: it must not press a button all the same.
    return isBurst || isNext ? TAKEN : LEFT;
  }

  #forget(): void {
    this.#text = '';
    this.#keys = 0;
    this.#isSpoilt = false;
    this.#lastMs = -Infinity;
  }
}
