/**
 * Properties draw the same cases on every run, so that a red run is the work of a change and not of the draw. Other
 * cases: TORSIOND_TEST_SEED=random, or a number; a failure prints the seed it had.
 */
import fc from 'fast-check';

const FIXED_SEED = 20_261_125;
const asked = process.env['TORSIOND_TEST_SEED'] ?? '';

if (asked !== 'random') {
  const seed = asked === '' ? FIXED_SEED : Number(asked);
  if (!Number.isInteger(seed)) throw new Error(`TORSIOND_TEST_SEED is "${asked}"; allowed is a whole number, or random`);
  fc.configureGlobal({ seed });
}
