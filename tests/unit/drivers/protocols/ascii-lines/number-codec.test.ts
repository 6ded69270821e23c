import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { NumberScanner } from '../../../../../drivers/protocols/ascii-lines/number-codec.ts';

function scan(text: string, point = '.'): number | null {
  const scanner = new NumberScanner(point.charCodeAt(0));
  const bytes = Buffer.from(text, 'latin1');
  return scanner.scan(bytes, 0, bytes.length) === bytes.length ? scanner.value : null;
}

const digits = (min: number, max: number): fc.Arbitrary<string> => fc.string({ unit: fc.constantFrom(...'0123456789'), minLength: min, maxLength: max });
const sign = fc.constantFrom('', '+', '-');

describe('numbers from bytes', () => {
  it('are bit for bit what Number() makes of the text, up to 15 digits', () => {
    fc.assert(fc.property(sign, digits(0, 8), fc.boolean(), digits(0, 7), (lead, whole, hasPoint, decimals) => {
      fc.pre(whole + (hasPoint ? decimals : '') !== '');
      const text = `${lead}${whole}${hasPoint ? `.${decimals}` : ''}`;
      expect(scan(text)).toBe(Number(text)); // toBe is Object.is: -0 and every last bit count
    }), { numRuns: 3_000 });
  });

  it('never differ from Number() where they are taken at all, whatever the text', () => {
    const text = fc.string({ unit: fc.constantFrom(...'0123456789+-. eE,'), maxLength: 25 });
    fc.assert(fc.property(text, (anything) => {
      const value = scan(anything);
      if (value !== null) expect(value).toBe(Number(anything));
    }), { numRuns: 3_000 });
  });

  it('take a comma as the decimal sign where it is set, and a point then no more', () => {
    expect(scan('-12,5', ',')).toBe(-12.5);
    expect(scan('-12.5', ',')).toBeNull();
    expect(scan('-12,5')).toBeNull();
  });

  it.each(['', '+', '-', '.', '-.', '1e5', '1E5', 'nan', 'Infinity', '0x10', ' 1', '1 ', '- 1', '--1', '1.2.3', '1234567890123456'])('leave %j to the slow way', (text) => {
    expect(scan(text)).toBeNull();
  });

  it('keep the sign of zero', () => {
    expect(scan('-0.00')).toBe(-0);
    expect(scan('+0.00')).toBe(0);
  });
});
