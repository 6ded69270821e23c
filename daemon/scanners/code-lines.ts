/** Bytes of a code scanner or of a switch box to codes. Pure: time comes with the bytes. */
import type { ByteChunk } from '../../drivers/links/link.ts';
import { LineFramer } from '../../drivers/framing/line-framer.ts';
import type { ScannerSettings } from '../settings/schema.ts';

/** What comes so soon after opening may be the end of a line whose beginning nobody heard, ms. */
const CUT_LINE_MS = 100;
const BYTES_PER_LETTER_MAX = 4;
/** Stand between the data fields of a code: FS, GS (FNC1 in GS1 codes), RS, US and the end mark of ISO/IEC 15434. */
const SEPARATORS: ReadonlySet<string> = new Set(['\u001c', '\u001d', '\u001e', '\u001f', '\u0004']);
/** As many as a serial port carries, for scanners that hand over what they have stored; a flood must not hold up the torque. */
export const CODES_PER_SECOND_MAX = 1_000;

export interface CodeLineCounters {
  readonly codes: number;
  /** The same text again within `repeatMs`. */
  readonly repeats: number;
  /** Too short, too long, with characters that no code has, too many at once, or perhaps without its beginning. */
  readonly refused: number;
}

/** One per connection. */
export class CodeLines {
  readonly #settings: ScannerSettings;
  readonly #take: (text: string) => void;
  readonly #framer: LineFramer;
  readonly #delimiter: Uint8Array;
  readonly #decoder = new TextDecoder('utf-8');
  readonly #openedMs: number;
  #isFirst = true;
  #second = { beganMs: -Infinity, lines: 0 };
  #last = { text: '', atMs: -Infinity };
  #counters = { codes: 0, repeats: 0, refused: 0 };

  constructor(settings: ScannerSettings, openedMs: number, take: (text: string) => void) {
    this.#settings = settings;
    this.#take = take;
    this.#openedMs = openedMs;
    this.#delimiter = new TextEncoder().encode(settings.delimiter);
    const around = settings.prefix.length + settings.suffix.length + 2;
    this.#framer = new LineFramer({
      delimiter: this.#delimiter, maxLineBytes: (settings.maxLength + around) * BYTES_PER_LETTER_MAX,
      onPartial: (bytes) => {
        if (this.#decoder.decode(bytes).trim() !== '') this.#counters.refused++;
      },
    });
  }

  get counters(): CodeLineCounters {
    return { ...this.#counters };
  }

  push({ data, atMs }: ByteChunk): void {
    const sink = {
      frames: (bytes: Uint8Array, bounds: Int32Array, count: number): void => {
        for (let i = 0; i < count; i++) {
          const from = bounds[2 * i]!;
          const to = bounds[2 * i + 1]!;
          if (to === from) continue;
          if (this.#hasRoom(atMs)) this.#line(this.#decoder.decode(bytes.subarray(from, to)), atMs);
          else this.#counters.refused++;
        }
      },
      tooLong: (): void => void this.#counters.refused++,
    };
    // A scanner is silent between codes: what begins later than that is whole, and the framer may take it.
    if (this.#isFirst && atMs - this.#openedMs >= CUT_LINE_MS) this.#framer.push(this.#delimiter, { frames: () => {}, tooLong: () => {} });
    this.#isFirst = false;
    this.#framer.push(data, sink);
  }

  #hasRoom(atMs: number): boolean {
    if (atMs - this.#second.beganMs >= 1_000) this.#second = { beganMs: atMs, lines: 0 };
    return this.#second.lines < CODES_PER_SECOND_MAX;
  }

  #line(line: string, atMs: number): void {
    const { prefix, suffix, minLength, maxLength, repeatMs } = this.#settings;
    let text = line.trim();
    if (text === '') return; // between a carriage return and a line feed
    this.#second.lines++;
    if (prefix !== '' && text.startsWith(prefix)) text = text.slice(prefix.length);
    if (suffix !== '' && text.endsWith(suffix)) text = text.slice(0, -suffix.length);
    if (text.length < minLength || text.length > maxLength || ![...text].every(isOfCode)) {
      this.#counters.refused++;
      return;
    }
    const isRepeat = text === this.#last.text && atMs - this.#last.atMs < repeatMs;
    // A code that is held before the scanner repeats for as long as it is there.
    this.#last = { text, atMs };
    if (isRepeat) this.#counters.repeats++;
    else {
      this.#counters.codes++;
      this.#take(text);
    }
  }
}

function isOfCode(letter: string): boolean {
  return SEPARATORS.has(letter) || !/[\p{Cc}\p{Cn}�]/u.test(letter);
}
