/**
 * Decimal numbers from bytes, as fast as they come. Exactly what `Number` makes of the same text: up to 15 digits and
 * 22 decimals both mantissa and power of ten are exact doubles, and one division rounds correctly (W. D. Clinger, "How
 * to read floating point numbers accurately", 1990). Everything else is left to `Number`.
 */

const MOST_DIGITS = 15;
const POWERS = Array.from({ length: 23 }, (_, n) => Number(`1e${n}`));

const PLUS = 43;
const MINUS = 45;
const POINT = 46;
const ZERO = 48;

/** Where the number ended; valid after `readDecimal`. */
export let decimalEnd = 0;

/**
 * @param point byte that may stand for the decimal point beside `.`; -1: none
 * @returns NaN when the bytes at `from` are no plain decimal number of at most 15 digits
 */
export function readDecimal(bytes: Uint8Array, from: number, to: number, point: number): number {
  let at = from;
  let isNegative = false;
  if (at < to && (bytes[at] === MINUS || bytes[at] === PLUS)) isNegative = bytes[at++] === MINUS;
  let mantissa = 0;
  let digits = 0;
  let seen = 0;
  let decimals = -1;
  for (; at < to; at++) {
    const digit = bytes[at]! - ZERO;
    if (digit >= 0 && digit <= 9) {
      mantissa = mantissa * 10 + digit;
      seen++;
      if (mantissa > 0) digits++;
      if (decimals >= 0) decimals++;
    } else if ((bytes[at] === POINT || bytes[at] === point) && decimals < 0) decimals = 0;
    else break;
  }
  decimalEnd = at;
  if (seen === 0 || digits > MOST_DIGITS || decimals >= POWERS.length) return Number.NaN;
  const magnitude = decimals > 0 ? mantissa / POWERS[decimals]! : mantissa;
  return isNegative ? -magnitude : magnitude;
}
