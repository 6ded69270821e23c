import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decodeSamples, encodeSamples } from '../../../daemon/storage/trace-codec.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { madeSamples } from '../../helpers/made-trace.ts';

const bits = (values: Float64Array): string => Buffer.from(values.buffer, values.byteOffset, values.byteLength).toString('hex');

function expectRoundTrip(device: Float64Array, status: Uint8Array | null = null): Uint8Array {
  const encoded = encodeSamples(device, status);
  const back = decodeSamples(encoded);
  expect(bits(back.device)).toBe(bits(device));
  expect(back.status === null ? null : [...back.status]).toEqual(status === null ? null : [...status]);
  return encoded;
}

const RAW = 0;
const DECIMAL = 1;
const BINARY = 2;

describe('what is stored of samples', () => {
  it('gives any doubles back bit for bit, with or without status', () => {
    fc.assert(fc.property(
      fc.array(fc.double(), { maxLength: 60 }).chain((values) => fc.tuple(fc.constant(values), fc.option(fc.uint8Array({ minLength: values.length, maxLength: values.length })))),
      ([values, status]) => void expectRoundTrip(Float64Array.from(values), status),
    ), { numRuns: 300 });
  });

  it('gives any bit patterns back, signalling NaN and denormal ones too', () => {
    fc.assert(fc.property(fc.uint8Array({ minLength: 0, maxLength: 400 }), (bytes) => {
      const whole = bytes.slice(0, bytes.length - (bytes.length % 8));
      expectRoundTrip(new Float64Array(whole.buffer));
    }), { numRuns: 300 });
  });

  it('gives printed decimals back bit for bit, and as counts', () => {
    fc.assert(fc.property(
      fc.integer({ min: 0, max: 9 }),
      fc.array(fc.integer({ min: -2_000_000_000, max: 2_000_000_000 }), { minLength: 1, maxLength: 80 }),
      (decimals, counts) => {
        const device = Float64Array.from(counts, (count) => Number(`${count}e-${decimals}`));
        expect(expectRoundTrip(device)[1]).toBe(DECIMAL);
      },
    ), { numRuns: 300 });
  });

  it('gives single-precision values back, and counts them in halves of halves', () => {
    const thirds = Float64Array.from({ length: 500 }, (_, i) => Math.fround(20 + i / 3));
    expect(expectRoundTrip(thirds)[1]).toBe(BINARY);
  });

  it('takes counts beyond 32 bits', () => {
    const device = Float64Array.from({ length: 50 }, (_, i) => (i % 2 === 0 ? 1 : -1) * (2 ** 49 - i));
    expect(expectRoundTrip(device)[1]).toBe(DECIMAL);
    expect(expectRoundTrip(Float64Array.from([2 ** 50, 2 ** 53, -(2 ** 53), 1e300]))[1]).toBe(RAW);
  });

  it('keeps the negative zeros that devices print around rest, without falling back to doubles', () => {
    const device = Float64Array.from({ length: 3_000 }, (_, i) => Number(((i % 7) / 100 - 0.03).toFixed(1)));
    expect(device.some((value) => Object.is(value, -0))).toBe(true);
    expect(expectRoundTrip(device)[1]).toBe(DECIMAL);
  });

  it('uses the step of a display that counts in fives', () => {
    const device = Float64Array.from({ length: 300 }, (_, i) => Number((((i * i) % 50) * 0.05).toFixed(2)));
    const encoded = expectRoundTrip(device);
    expect(Buffer.from(encoded).readUInt32LE(9)).toBe(5);
  });

  it('stores infinities and NaN as they are', () => {
    expect(expectRoundTrip(Float64Array.from([1.5, Infinity, -Infinity, NaN, -0]))[1]).toBe(RAW);
  });

  it('takes a trace without samples', () => {
    expectRoundTrip(new Float64Array(0));
    expectRoundTrip(new Float64Array(0), new Uint8Array(0));
  });

  it('refuses a status of another length', () => {
    expect(() => encodeSamples(new Float64Array(3), new Uint8Array(2))).toThrow(/3 samples and 2 status bytes/);
  });

  it('never gives other values for damaged bytes: an error, or what was stored', () => {
    const device = madeSamples({ seconds: 0.3, rateHz: 1_000, capacity: 60, torque: 40, noise: 0.0005, bits: 14 }, 3);
    const status = new Uint8Array(device.length).fill(1, 100, 120);
    const encoded = encodeSamples(device, status);
    let refused = 0;
    const edit = fc.tuple(fc.nat(encoded.length - 1), fc.integer({ min: 1, max: 255 }));
    fc.assert(fc.property(fc.array(edit, { minLength: 1, maxLength: 6 }), fc.nat(encoded.length), (edits, length) => {
      const damaged = Uint8Array.from(encoded);
      for (const [at, flip] of edits) damaged[at]! ^= flip;
      for (const candidate of [damaged, encoded.slice(0, length), Uint8Array.from([...encoded, 0])]) {
        if (Buffer.compare(candidate, encoded) === 0) continue;
        try {
          expect(bits(decodeSamples(candidate).device)).toBe(bits(device));
        } catch (thrown) {
          expect(thrown).toBeInstanceOf(TorsiondError);
          expect((thrown as TorsiondError).code).toBe('STORE_CHAIN');
          refused += 1;
        }
      }
    }), { numRuns: 500 });
    expect(refused).toBeGreaterThan(1_000);
  });

  it('refuses a header that lies even when its checksum is right', async () => {
    const { crc32 } = await import('node:zlib');
    const encoded = Buffer.from(encodeSamples(Float64Array.from([1, 2, 3]), null));
    for (const [at, value] of [[1, 7], [4, 200], [5, 255], [8, 255], [13, 3]] as const) {
      const lying = Buffer.from(encoded);
      lying[at] = value;
      lying.writeUInt32LE(crc32(lying.subarray(0, -4)), lying.length - 4);
      expect(() => decodeSamples(lying), `byte ${at}`).toThrow(/a stored trace is damaged/);
    }
  });

  it('takes at most a third of float32 for a pull at 1000 S/s from 14 to 16 bits', () => {
    for (const converter of [14, 15, 16]) for (const noise of [0.0002, 0.0005, 0.001]) {
      const device = madeSamples({ seconds: 3, rateHz: 1_000, capacity: 100, torque: 50, noise, bits: converter }, converter);
      expect(expectRoundTrip(device).length / (device.length * 4), `${converter} bit, noise ${noise}`).toBeLessThan(1 / 3);
    }
  });
});
