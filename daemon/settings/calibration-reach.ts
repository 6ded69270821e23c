/** Whether a table of calibration points reaches as far as the transducer may be loaded. Pure. */
import type { ChannelSettings } from './schema.ts';

const SIDES = [['clockwise', 'cw', 1], ['counter-clockwise', 'ccw', -1]] as const;

/** @returns what is wrong with the table of the channel, or null */
export function reachFault({ unit, sign, transducer, capture }: ChannelSettings): string | null {
  const { curve } = transducer.calibration;
  if (curve.kind !== 'points' || curve.beyond === 'flag') return null;
  const ends = [curve.points[0]!, curve.points.at(-1)!];
  const missing = SIDES.filter(([, direction]) => capture.direction === 'both' || capture.direction === direction).flatMap(([words,, side]) => {
    // The indicated value and the true one of the outermost point differ a little; either reaches.
    const end = Math.max(...ends.map((point) => sign * side * point[1]), ...ends.map(([indicated, real]) => (sign * side * real > 0 ? Math.abs(indicated) : 0)));
    return end >= transducer.capacity ? [] : [`${words} to ${Math.max(0, end)}`];
  });
  if (missing.length === 0) return null;
  return `the table reaches ${missing.join(' and ')} ${unit} only, the capacity is ${transducer.capacity} ${unit}; allowed is a table that reaches it, a capture.direction `
    + 'on the side that it covers, or beyond: flag, which gives every reading from beyond the table a flag';
}
