/** Decimal numbers from bytes, bit for bit what `Number()` makes of the same text. */

/** 10^0 to 10^22 are exact doubles; so are integers below 2^53, hence one division of the two is rounded correctly. */
const POWERS = Float64Array.from({ length: 23 }, (_, i) => Number(`1e${i}`));
/** Any integer with so many digits is below 2^53. */
const EXACT_DIGITS = 15;

const MINUS = 0x2d;
const PLUS = 0x2b;

/**
 * Scans `[+-]digits[.digits]`. An exponent, more than 15 digits, or a space after the sign are left to others: such
 * lines are rare, and `Number()` is right there.
 */
export class NumberScanner {
  readonly #point: number;
  /** Of the last successful `scan`. */
  value = 0;

  /** @param point code of the decimal sign */
  constructor(point: number) {
    this.#point = point;
  }

  /** @returns where the number ends, or -1 when there is none of this form at `at` */
  scan(bytes: Uint8Array, at: number, end: number): number {
    let i = at;
    let isNegative = false;
    if (i < end && (bytes[i] === MINUS || bytes[i] === PLUS)) isNegative = bytes[i++] === MINUS;
    const first = i;
    let mantissa = 0;
    for (; i < end && isDigit(bytes[i]!); i++) mantissa = mantissa * 10 + (bytes[i]! - 0x30);
    let digits = i - first;
    let decimals = 0;
    if (i < end && bytes[i] === this.#point) {
      const afterPoint = ++i;
      for (; i < end && isDigit(bytes[i]!); i++) mantissa = mantissa * 10 + (bytes[i]! - 0x30);
      decimals = i - afterPoint;
      digits += decimals;
    }
    if (digits === 0 || digits > EXACT_DIGITS) return -1;
    if (i < end && (bytes[i]! | 0x20) === 0x65) return -1;
    const magnitude = decimals === 0 ? mantissa : mantissa / POWERS[decimals]!;
    this.value = isNegative ? -magnitude : magnitude;
    return i;
  }
}

function isDigit(byte: number): boolean {
  return byte >= 0x30 && byte <= 0x39;
}
