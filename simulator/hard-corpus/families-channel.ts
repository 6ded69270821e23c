/** Families of channels that are not as they should be: a standing offset. */
import { drawBench, drawClick, drawSmooth } from './draws.ts';
import { several, type FamilyDraw } from './timeline.ts';

/**
 * 0.5 to 1.9 % of the capacity, either sign, from the start or from a moment on before the first pull; two to five
 * pulls. Automatic zero is not at work here: the offset is part of every truth. A channel that cannot arm or let go
 * must say so; silence and another value are wrong.
 */
export const offset: FamilyDraw = (named, random) => {
  const bench = drawBench(random, [500, 1000, 2000, 5000], [0.3, 0.7]);
  const standing = bench.capacity * random.between(0.005, 0.019) * random.pick([1, 1, -1]);
  const fromS = random.happens(0.3) ? random.between(0.1, 0.3) : -1;
  const dones = Array.from({ length: random.integer(2, 5) }, () => (random.happens(0.7)
    ? drawClick(bench, random, { riseS: [0.3, 1] })
    : drawSmooth(bench, random, { riseS: [0.3, 1] })));
  return several(named, random, bench, dones, { offsetAt: (t) => (t < fromS ? 0 : standing) }, { expected: 'reading-or-told' });
};
