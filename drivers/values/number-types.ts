/** Numbers as they stand in binary frames. */

export const NUMBER_TYPES = ['u8', 'i8', 'u16', 'i16', 'u24', 'i24', 'u32', 'i32', 'f32', 'f64', 'bcd'] as const;
export type NumberType = (typeof NUMBER_TYPES)[number];
export type FixedNumberType = Exclude<NumberType, 'bcd'>;

/** Bytes of a number; a bcd has as many as its setting says. */
export function numberBytes(type: FixedNumberType): number {
  return Number(type.slice(1)) / 8;
}

/** @returns a reader of one number at `at`; the caller has made sure that its bytes are there. NaN: no digits where a bcd must have some */
export function numberReader(type: NumberType, byteOrder: 'big' | 'little', bcdBytes = 1): (view: DataView, at: number) => number {
  const isLittle = byteOrder === 'little';
  switch (type) {
    case 'u8': return (view, at) => view.getUint8(at);
    case 'i8': return (view, at) => view.getInt8(at);
    case 'u16': return (view, at) => view.getUint16(at, isLittle);
    case 'i16': return (view, at) => view.getInt16(at, isLittle);
    case 'u24': return isLittle ? (view, at) => view.getUint16(at, true) | (view.getUint8(at + 2) << 16) : (view, at) => (view.getUint16(at) << 8) | view.getUint8(at + 2);
    case 'i24': return isLittle ? (view, at) => view.getUint16(at, true) | (view.getInt8(at + 2) << 16) : (view, at) => (view.getInt16(at) << 8) | view.getUint8(at + 2);
    case 'u32': return (view, at) => view.getUint32(at, isLittle);
    case 'i32': return (view, at) => view.getInt32(at, isLittle);
    case 'f32': return (view, at) => view.getFloat32(at, isLittle);
    case 'f64': return (view, at) => view.getFloat64(at, isLittle);
    case 'bcd': return (view, at) => {
      let value = 0;
      for (let i = 0; i < bcdBytes; i++) {
        const byte = view.getUint8(isLittle ? at + bcdBytes - 1 - i : at + i);
        if ((byte & 0x0f) > 9 || byte >>> 4 > 9) return Number.NaN;
        value = value * 100 + (byte >>> 4) * 10 + (byte & 0x0f);
      }
      return value;
    };
  }
}
