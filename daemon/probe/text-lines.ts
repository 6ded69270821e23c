/** Whether bytes are text, in which framing of characters, and where its lines end. Pure. */

export interface TextLines {
  /** Whole lines without their endings; the first partial one and the last one are left out. */
  readonly lines: readonly string[];
  /** For each line the place behind its ending, bytes. */
  readonly ends: readonly number[];
  /** As the settings of `ascii-lines` name them. */
  readonly delimiter: string;
  readonly encoding: 'ascii' | 'latin1' | 'utf8';
  readonly dataBits: 7 | 8;
  readonly parity: 'none' | 'even' | 'odd';
}

const TEXT_SHARE = 0.98;
const PARITY_SHARE = 0.99;
/** Fewer of them are noise in a text rather than parity. */
const HIGH_SHARE = 0.05;
/** Endings of lines, the likelier first. ETX ends the lines of some devices. */
const DELIMITERS = ['\n', '\r', '\x03', '\0'] as const;

/** @returns null when the bytes are no text, or have no lines */
export function textLines(data: Uint8Array): TextLines | null {
  const framing = characterFraming(data);
  const bytes = framing.dataBits === 7 ? data.map((byte) => byte & 0x7f) : data;
  const encoding = textEncoding(bytes);
  if (encoding === null) return null;
  for (const delimiter of DELIMITERS) {
    const cut = cutLines(bytes, delimiter.charCodeAt(0), encoding);
    if (cut.lines.length > 0) return { ...cut, delimiter, encoding, ...framing };
  }
  return null;
}

/**
 * A device with 7 data bits and a parity bit, heard with 8 and none, shows its parity as the highest bit: then every
 * byte has the same parity, which text without a parity bit never has.
 */
export function characterFraming(data: Uint8Array): { readonly dataBits: 7 | 8; readonly parity: 'none' | 'even' | 'odd' } {
  let high = 0;
  let odd = 0;
  for (const byte of data) {
    if (byte > 127) high++;
    odd += onesIn(byte) & 1;
  }
  if (high >= data.length * HIGH_SHARE) {
    if (odd >= data.length * PARITY_SHARE) return { dataBits: 7, parity: 'odd' };
    if (odd <= data.length * (1 - PARITY_SHARE)) return { dataBits: 7, parity: 'even' };
  }
  return { dataBits: 8, parity: 'none' };
}

function onesIn(byte: number): number {
  let ones = 0;
  for (let rest = byte; rest > 0; rest >>= 1) ones += rest & 1;
  return ones;
}

function textEncoding(bytes: Uint8Array): TextLines['encoding'] | null {
  let plain = 0;
  let high = 0;
  let latin = 0;
  for (const byte of bytes) {
    if (byte > 127) high++;
    if ((byte >= 0x20 && byte < 0x7f) || byte === 0x09 || byte === 0x0a || byte === 0x0d || byte === 0x03 || byte === 0) plain++;
    // Middle dot, degree, micro: what units are written with.
    if (byte === 0xb7 || byte === 0xb0 || byte === 0xb5) latin++;
  }
  if (plain >= bytes.length * TEXT_SHARE) return 'ascii';
  if (plain + high < bytes.length * TEXT_SHARE || high > bytes.length / 3) return null;
  // The first character may have been cut.
  const decoded = new TextDecoder('utf-8').decode(bytes.subarray(Math.min(3, bytes.length)), { stream: true });
  if ([...decoded].filter((letter) => letter === '�').length <= 3 && decoded.length < bytes.length - 3) return 'utf8';
  return plain + latin >= bytes.length * TEXT_SHARE ? 'latin1' : null;
}

function cutLines(bytes: Uint8Array, delimiter: number, encoding: TextLines['encoding']): { lines: string[]; ends: number[] } {
  const decoder = new TextDecoder(encoding === 'utf8' ? 'utf-8' : 'latin1');
  const lines: string[] = [];
  const ends: number[] = [];
  let from = -1;
  for (let i = 0; i < bytes.length; i++) {
    if (bytes[i] !== delimiter) continue;
    // The first one was probably not heard from its beginning.
    if (from >= 0) {
      const text = decoder.decode(bytes.subarray(from, i)).replace(/\r$/, '');
      if (text.trim() !== '') {
        lines.push(text);
        ends.push(i + 1);
      }
    }
    from = i + 1;
  }
  return { lines, ends };
}
