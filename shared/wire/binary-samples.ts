/**
 * Binary sample frame of the WebSocket: a 40-byte header and the samples, all little-endian.
 *
 * | offset | type | what |
 * |---|---|---|
 * | 0 | uint8 | 1: version of this layout |
 * | 1 | uint8 | 1: Float32, 2: Float64 samples |
 * | 2 | uint16 | channel index, as in `hello.channels` |
 * | 4 | uint32 | epoch |
 * | 8 | float64 | index of the first sample within the epoch |
 * | 16 | float64 | wall time of the first sample, ms since 1970 |
 * | 24 | float64 | spacing of the samples, ms |
 * | 32 | uint32 | number of samples |
 * | 36 | uint32 | bit 0: the samples do not continue the frame before (gap or skipped) |
 * | 40 | | samples, torque in N.m, counter-clockwise negative |
 */
export const SAMPLES_HEADER_BYTES = 40;

/** There the samples are copied as a whole; the header is a multiple of 8 bytes so that they are aligned. */
const LITTLE_ENDIAN = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

export interface SampleFrame {
  readonly channelIndex: number;
  readonly epoch: number;
  readonly firstIndex: number;
  readonly startWallMs: number;
  readonly spacingMs: number;
  readonly broken: boolean;
  readonly samples: Float32Array | Float64Array;
}

export function encodeSamples(frame: SampleFrame): Uint8Array {
  const wide = frame.samples instanceof Float64Array;
  const bytes = new Uint8Array(SAMPLES_HEADER_BYTES + frame.samples.byteLength);
  const view = new DataView(bytes.buffer);
  view.setUint8(0, 1);
  view.setUint8(1, wide ? 2 : 1);
  view.setUint16(2, frame.channelIndex, true);
  view.setUint32(4, frame.epoch, true);
  view.setFloat64(8, frame.firstIndex, true);
  view.setFloat64(16, frame.startWallMs, true);
  view.setFloat64(24, frame.spacingMs, true);
  view.setUint32(32, frame.samples.length, true);
  view.setUint32(36, frame.broken ? 1 : 0, true);
  if (LITTLE_ENDIAN) {
    new (wide ? Float64Array : Float32Array)(bytes.buffer, SAMPLES_HEADER_BYTES, frame.samples.length).set(frame.samples);
    return bytes;
  }
  for (let i = 0, at = SAMPLES_HEADER_BYTES; i < frame.samples.length; i++, at += wide ? 8 : 4) {
    if (wide) view.setFloat64(at, frame.samples[i]!, true);
    else view.setFloat32(at, frame.samples[i]!, true);
  }
  return bytes;
}

/** @throws RangeError when the bytes are no such frame. */
export function decodeSamples(bytes: Uint8Array): SampleFrame {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (bytes.byteLength < SAMPLES_HEADER_BYTES || view.getUint8(0) !== 1) throw new RangeError('not a sample frame of layout 1');
  const wide = view.getUint8(1) === 2;
  const count = view.getUint32(32, true);
  if (bytes.byteLength !== SAMPLES_HEADER_BYTES + count * (wide ? 8 : 4)) throw new RangeError('sample frame is cut');
  const samples = wide ? new Float64Array(count) : new Float32Array(count);
  for (let i = 0, at = SAMPLES_HEADER_BYTES; i < count; i++, at += wide ? 8 : 4) {
    samples[i] = wide ? view.getFloat64(at, true) : view.getFloat32(at, true);
  }
  return {
    channelIndex: view.getUint16(2, true),
    epoch: view.getUint32(4, true),
    firstIndex: view.getFloat64(8, true),
    startWallMs: view.getFloat64(16, true),
    spacingMs: view.getFloat64(24, true),
    broken: (view.getUint32(36, true) & 1) === 1,
    samples,
  };
}
