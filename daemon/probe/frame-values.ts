/** Which numbers stand in frames: a guess by what a torque does, which never jumps over its whole range from sample to sample. Pure. */
import { numberBytes, numberReader } from '../../drivers/values/number-types.ts';
import type { ByteOrder } from './frame-shape.ts';

const TYPES = ['f64', 'f32', 'i32', 'i24', 'i16'] as const;
export type ValueType = (typeof TYPES)[number];

export interface FrameValues {
  readonly type: ValueType;
  readonly byteOrder: ByteOrder;
  /** Where each value stands. */
  readonly places: readonly number[];
  /** Bytes that are no value, whatever they mean. */
  readonly left: readonly number[];
  readonly largest: number;
  /** Whether the values moved at all; what stands still may be anything. */
  readonly isMoving: boolean;
}

/** Beyond these a float is bytes of something else. */
const FLOAT_LEAST = 1e-9;
const FLOAT_MOST = 1e6;
/** Median step, as a share of the whole range of the type, above which it is no measured value. */
const STEP_MOST = 0.02;
/** So much better must a wider type be to be believed. */
const WIDER_GAIN = 3;
const LEFT_MOST = 2;

interface Candidate extends FrameValues {
  readonly step: number;
}

/** @param from, to the stretch of the frame in which values may stand */
export function frameValues(frames: readonly Uint8Array[], from: number, to: number): FrameValues | null {
  const candidates: Candidate[] = [];
  for (const type of TYPES) {
    const size = numberBytes(type);
    for (const byteOrder of ['big', 'little'] as const) {
      for (let lead = 0; lead <= LEFT_MOST; lead++) {
        const count = Math.floor((to - from - lead) / size);
        const leftBytes = to - from - count * size;
        if (count < 1 || count > 32 || leftBytes > LEFT_MOST) continue;
        const places = Array.from({ length: count }, (_, i) => from + lead + i * size);
        const left = Array.from({ length: to - from }, (_, i) => from + i).filter((at) => !places.some((place) => at >= place && at < place + size));
        const judged = judge(frames, type, byteOrder, places);
        if (judged !== null) candidates.push({ type, byteOrder, places, left, ...judged });
      }
    }
  }
  const floats = candidates.filter((one) => one.type.startsWith('f'));
  const [first, ...rest] = (floats.length > 0 ? floats : candidates).sort((a, b) => numberBytes(a.type) - numberBytes(b.type) || a.left.length - b.left.length || a.step - b.step);
  if (!first) return null;
  return rest.reduce((best, one) => {
    const isWider = numberBytes(one.type) > numberBytes(best.type);
    return one.left.length < best.left.length || (one.left.length === best.left.length && one.step * (isWider ? WIDER_GAIN : 1) < best.step) ? one : best;
  }, first);
}

function judge(frames: readonly Uint8Array[], type: ValueType, byteOrder: ByteOrder, places: readonly number[]): Pick<Candidate, 'step' | 'largest' | 'isMoving'> | null {
  const read = numberReader(type, byteOrder);
  const isFloat = type.startsWith('f');
  const range = isFloat ? 1 : 256 ** numberBytes(type);
  let worst = 0;
  let largest = 0;
  let isMoving = false;
  for (const place of places) {
    const values = frames.map((frame) => read(new DataView(frame.buffer, frame.byteOffset, frame.byteLength), place));
    if (isFloat && values.some((value) => !Number.isFinite(value) || (value !== 0 && (Math.abs(value) < FLOAT_LEAST || Math.abs(value) > FLOAT_MOST)))) return null;
    const steps = values.slice(1).map((value, i) => Math.abs(value - values[i]!)).sort((a, b) => a - b);
    const highest = values.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
    largest = Math.max(largest, highest);
    isMoving ||= steps.at(-1)! > 0;
    worst = Math.max(worst, steps[Math.floor(steps.length / 2)]! / (isFloat ? Math.max(highest, FLOAT_LEAST) * 100 : range));
  }
  return worst > STEP_MOST ? null : { step: worst, largest, isMoving };
}
