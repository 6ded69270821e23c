/** Whether a table of calibration points reaches as far as the transducer may be loaded, and what is missing where not. Pure. */
import type { ChannelSettings } from './schema.ts';

const SIDES = [{ words: 'clockwise', direction: 'cw', side: 1 }, { words: 'counter-clockwise', direction: 'ccw', side: -1 }] as const;
type Side = (typeof SIDES)[number];

/** @returns what is wrong with the table of the channel, or null */
export function reachFault({ unit, sign, transducer, capture }: ChannelSettings): string | null {
  const { curve } = transducer.calibration;
  if (curve.kind !== 'points' || curve.beyond === 'flag') return null;
  const { capacity } = transducer;
  const ends = [curve.points[0]!, curve.points.at(-1)!];
  /** True torque of the outermost point on a side, as a magnitude; 0: there is none. */
  const endOf = ({ side }: Side): number => Math.max(0, ...ends.map(([, real]) => sign * side * real));
  // The indicated value and the true one of the outermost point differ a little; either reaches.
  const reaches = (one: Side): boolean => Math.max(endOf(one), ...ends.map(([indicated, real]) => (sign * one.side * real > 0 ? Math.abs(indicated) : 0))) >= capacity;
  const missing = SIDES.filter((one) => (capture.direction === 'both' || capture.direction === one.direction) && !reaches(one));
  if (missing.length === 0) return null;
  const told = missing.map((one) => {
    const { words, side } = one;
    const needed = `a true torque of ${sign * side * capacity} ${unit} (the capacity) or beyond`;
    return endOf(one) === 0
      ? `has no points for ${words} torque, which capture.direction: ${capture.direction} captures; missing are points up to ${needed}`
      : `ends ${words} at a true torque of ${sign * side * endOf(one)} ${unit}; missing is a point at ${needed}`;
  });
  return `${told.join('; it ')}; allowed is also ${[...waysOut(missing, reaches, capture.direction, sign), 'beyond: flag, which gives every reading from beyond the table a flag'].join(', or ')}`;
}

/** What may be meant when one side of the table is whole and the other is not there. */
function waysOut(missing: readonly Side[], reaches: (side: Side) => boolean, direction: ChannelSettings['capture']['direction'], sign: number): readonly string[] {
  const whole = SIDES.find(reaches);
  if (missing.length !== 1 || whole === undefined) return [];
  return direction === 'both' ? [`capture.direction: ${whole.direction}, where nothing else is measured`] : [`sign: ${-sign}, where the device counts the other way`];
}
