import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { numberBytes, numberReader, type NumberType } from '../../../../drivers/values/number-types.ts';

const read = (type: NumberType, order: 'big' | 'little', hex: string): number => {
  const bytes = Buffer.from(`ffff${hex.replace(/ /g, '')}ffff`, 'hex');
  return numberReader(type, order, (bytes.length - 4))(new DataView(bytes.buffer, bytes.byteOffset, bytes.length), 2);
};

describe('numbers in frames', () => {
  it.each([
    ['u8', 'ff', 255], ['i8', '80', -128], ['u16', '8001', 0x8001], ['i16', 'fffe', -2], ['u24', 'fffffe', 0xfffffe], ['i24', '800000', -8_388_608],
    ['i24', 'fffffe', -2], ['i24', '7fffff', 8_388_607], ['u32', 'fffffffe', 4_294_967_294], ['i32', 'fffffffe', -2], ['f64', '400921fb54442d18', Math.PI], ['bcd', '01234567', 1_234_567],
  ] as const)('%s %s is %d, high byte first or last', (type, hex, value) => {
    expect(read(type, 'big', hex)).toBe(value);
    expect(read(type, 'little', hex.match(/../g)!.reverse().join(''))).toBe(value);
    if (type !== 'bcd') expect(numberBytes(type) * 2).toBe(hex.length);
  });

  it('are IEEE 754 singles as the float vectors have them', () => {
    const { float32_word_orders: floats } = JSON.parse(readFileSync(new URL('../../../vectors/protocol-vectors.json', import.meta.url), 'utf8')) as {
      float32_word_orders: Record<string, string | number>[];
    };
    for (const row of floats) {
      expect(read('f32', 'big', row['ABCD (big-endian)'] as string)).toBe(Math.fround(row['value'] as number));
      expect(read('f32', 'little', row['DCBA (little-endian)'] as string)).toBe(Math.fround(row['value'] as number));
    }
  });

  it.each(['1a', 'a1'])('a bcd with the digit of %s is no number', (hex) => expect(read('bcd', 'big', hex)).toBeNaN());
});
