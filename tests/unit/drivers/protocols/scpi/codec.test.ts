import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { answerParts, readErrorEntry, readIdentity, readNumber } from '../../../../../drivers/protocols/scpi/codec.ts';

describe('an identity (IEEE 488.2, 10.14)', () => {
  it('has four fields; "0" stands for none', () => {
    expect(readIdentity('HOLLIN & FENN,HF-A2,0107,1.4')).toEqual({ maker: 'HOLLIN & FENN', model: 'HF-A2', serialNumber: '0107', firmware: '1.4' });
    expect(readIdentity('Hollin & Fenn, HF-A2, 0, 0')).toEqual({ maker: 'Hollin & Fenn', model: 'HF-A2', serialNumber: '', firmware: '' });
  });

  it.each([
    ['HF,A2,7,1.4,build 3', { maker: 'HF', model: 'A2', serialNumber: '7', firmware: '1.4,build 3' }],
    ['HF,A2', { maker: 'HF', model: 'A2', serialNumber: '', firmware: '' }],
    ['"HF","A2","7","1"', { maker: 'HF', model: 'A2', serialNumber: '7', firmware: '1' }],
    ['HF-A2 torque', { maker: 'HF-A2 torque', model: '', serialNumber: '', firmware: '' }],
  ])('is read tolerantly: %s', (text, identity) => expect(readIdentity(text)).toEqual(identity));

  it.each(['', '12.5', '+1.0E+01,-2', '0,"No error"', '-113,"Undefined header"'])('is not what answers something else: %s', (text) => expect(readIdentity(text)).toBeNull());
});

describe('numbers', () => {
  it.each([
    ['12', 12], ['+12', 12], ['-0.5', -0.5], ['.5', 0.5], ['12.', 12], ['1.25E+2', 125], ['-1.25e-3', -0.00125], [' +1.0E+00 ', 1], ['00012.50', 12.5],
  ])('in NR1, NR2 and NR3: %s', (text, value) => expect(readNumber(text)).toEqual({ kind: 'value', value, unit: null }));

  it.each([['12.5 NM', 'N.m'], ['12.5Nm', 'N.m'], ['1.5E+1 "lbf-in"', '[lbf_av].[in_i]']])('with a unit: %s', (text, unit) => {
    expect(readNumber(text)).toMatchObject({ kind: 'value', unit });
  });

  it.each([
    ['9.91E37', 'VALUE_NOT_FINITE'], ['+9.910000E+37', 'VALUE_NOT_FINITE'], ['9.9099997E+37', 'VALUE_NOT_FINITE'], ['NAN', 'VALUE_NOT_FINITE'],
    ['9.9E37', 'VALUE_OVERLOAD'], ['-9.9E+37', 'VALUE_OVERLOAD'], ['9.8999999E+37', 'VALUE_OVERLOAD'], ['INF', 'VALUE_OVERLOAD'], ['NINF', 'VALUE_OVERLOAD'], ['1e400', 'VALUE_OVERLOAD'],
    ['1e20', 'VALUE_NOT_FINITE'],
    ['', 'FRAME_UNREADABLE'], ['twelve', 'FRAME_UNREADABLE'], ['1.2.3', 'FRAME_UNREADABLE'], ['1,5', 'UNIT_UNKNOWN'], ['12 V', 'UNIT_UNKNOWN'], ['#H1F', 'FRAME_UNREADABLE'],
  ])('that are none (SCPI-99: 9.91E37 not a number, 9.9E37 infinity): %s', (text, code) => {
    expect(readNumber(text)).toMatchObject({ kind: 'fault', code });
  });

  it('are those that were written, in any of the formats', () => {
    fc.assert(fc.property(fc.double({ noNaN: true, min: -1e15, max: 1e15 }), fc.integer({ min: 0, max: 15 }), (value, digits) => {
      const text = value.toExponential(digits);
      expect(readNumber(text.toUpperCase())).toEqual({ kind: 'value', value: Number(text), unit: null });
    }));
  });
});

describe('the error queue', () => {
  it('gives number and text', () => {
    expect(readErrorEntry('0,"No error"')).toEqual({ number: 0, text: 'No error' });
    expect(readErrorEntry('-230,"Data corrupt or stale;old ""x"""')).toEqual({ number: -230, text: 'Data corrupt or stale;old "x"' });
    expect(readErrorEntry('+101, "Sensor open"')).toEqual({ number: 101, text: 'Sensor open' });
    expect(readErrorEntry('12.5')).toBeNull();
    expect(readErrorEntry('12,13')).toBeNull();
  });

  it('stands behind the value, separated by a semicolon outside quotes', () => {
    expect(answerParts('1.5,2;-100,"a;b"')).toEqual(['1.5,2', '-100,"a;b"']);
    expect(answerParts('')).toEqual([]);
  });
});
