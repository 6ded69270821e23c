/** Registers of a virtual Modbus instrument, and how numbers lie in them. Written for the simulator alone. */
import * as z from 'zod';

const unit = z.number().int().min(1).max(247);
const address = z.number().int().min(0).max(65_535);

export const ModbusFormat = z.strictObject({
  transport: z.enum(['rtu', 'tcp']).default('rtu').describe('rtu: address, message, CRC, on a serial line or behind TCP; tcp: with the header of Modbus TCP.'),
  registers: z.array(z.strictObject({
    unit: unit.default(1),
    kind: z.enum(['holding', 'input']).default('holding'),
    address: address.max(65_534).describe('First register, from 0.'),
    type: z.enum(['i16', 'u16', 'i32', 'u32', 'f32']).default('f32'),
    order: z.enum(['ABCD', 'CDAB', 'BADC', 'DCBA']).default('ABCD').describe('Where the bytes of the big-endian number stand.'),
    scale: z.number().positive().default(0.001).describe('One step of a whole number; not used with f32.'),
  })).min(1).max(32).describe('Where each channel stands, in order.'),
  zero: z.strictObject({ unit: unit.default(1), address }).nullable().default(null).describe('Holding register that zeroes all channels when 1 is written to it.'),
  answerMs: z.number().min(0).max(60_000).default(0).describe('Time that each answer takes.'),
});
export type ModbusFormat = z.infer<typeof ModbusFormat>;
type Place = ModbusFormat['registers'][number];

export function registersOf(type: Place['type']): number {
  return type.endsWith('16') ? 1 : 2;
}

/** Lowest and highest code of a whole number: what the instrument shows when it is overloaded. f32 shows infinity. */
export function rangeOf(type: Exclude<Place['type'], 'f32'>): readonly [number, number] {
  const bits = Number(type.slice(1));
  return type.startsWith('i') ? [-(2 ** (bits - 1)), 2 ** (bits - 1) - 1] : [0, 2 ** bits - 1];
}

/** The bytes of a value as they travel, register by register. */
export function registerBytes(value: number, place: Place, isOverloaded: boolean): Uint8Array {
  const { type, order, scale } = place;
  const size = 2 * registersOf(type);
  const view = new DataView(new ArrayBuffer(size));
  if (type === 'f32') {
    view.setFloat32(0, isOverloaded ? Math.sign(value) * Infinity : value);
  } else {
    const [lowest, highest] = rangeOf(type);
    const code = isOverloaded ? (value < 0 ? lowest : highest) : Math.max(lowest, Math.min(highest, Math.round(value / scale)));
    if (size === 2) view.setUint16(0, code & 0xffff);
    else view.setUint32(0, code >>> 0);
  }
  const plain = new Uint8Array(view.buffer);
  // The letters say which byte of the number comes first, second ...: for one register only whether its two are swapped.
  const letters = size === 4 ? order : order === 'BADC' || order === 'DCBA' ? 'BA' : 'AB';
  return Uint8Array.from(letters, (letter) => plain['ABCD'.indexOf(letter)]!);
}
