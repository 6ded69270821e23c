import { describe, expect, it } from 'vitest';
import { HARD_FAMILIES, hardCorpus, TUNING_SEED, UNSEEN_SEED } from '../../simulator/hard-corpus/index.ts';
import { scoreHard } from './hard-score.ts';

/** A part of the 200 of `print-hard.ts`; one of 50 may miss. */
const COUNT = 50;
/** For machines that do much else. */
const LONGEST_MS = 600_000;

describe.each([['the tuning draw', TUNING_SEED], ['the draw not looked at', UNSEEN_SEED]])('the hard corpus, %s', (_, seed) => {
  it.each(HARD_FAMILIES)('%s: right in 98 of 100, nothing wrong in silence, clean readings without flags', (family) => {
    const { families, misses, unserved } = scoreHard(hardCorpus({ seed, family, count: COUNT }));
    const told = misses.map(({ record, outcome, what }) => `${outcome} ${record.id}, ${record.rateHz} S/s: ${what}`).join('\n');
    expect([...unserved], 'the gateway must know the settings').toEqual([]);
    const tally = families.get(family)!;
    expect(tally.records).toBe(COUNT);
    expect(tally.wrongSilent, told).toBe(0);
    if (tally.decidable > 0) expect(tally.right / tally.decidable, told).toBeGreaterThanOrEqual(0.98);
    expect(tally.cleanFlagged, told).toBeLessThanOrEqual(0.02 * tally.clean);
  }, LONGEST_MS);
});
