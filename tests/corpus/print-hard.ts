/** `node tests/corpus/print-hard.ts [--seed N] [--family F] [--count N] [--misses]`: the score of a draw, family by family. */
import { parseArgs } from 'node:util';
import { HARD_FAMILIES, hardCorpus, TUNING_SEED, type HardFamily } from '../../simulator/hard-corpus/index.ts';
import { newTally, scoreHard, type HardTally } from './hard-score.ts';

const { values } = parseArgs({
  options: {
    seed: { type: 'string', default: String(TUNING_SEED) }, family: { type: 'string', multiple: true },
    count: { type: 'string', default: '200' }, misses: { type: 'boolean', default: false },
  },
});
const known = new Set<string>(HARD_FAMILIES);
const families = values.family ?? HARD_FAMILIES;
for (const family of families) {
  if (known.has(family)) continue;
  console.error(`no family ${family}; there are ${HARD_FAMILIES.join(', ')}`);
  process.exit(2);
}

const HEADS = ['family', 'pulls', 'right', '%', 'wrong+flag', 'WRONG SILENT', 'extra', 'clean flagged', 'undecidable', 'flagged', 'lucky', 's'];
const WIDTHS = [22, 6, 6, 7, 11, 13, 6, 14, 12, 8, 6, 6];
const line = (cells: readonly (string | number)[]): string => cells.map((cell, i) => (i === 0 ? String(cell).padEnd(WIDTHS[i]!) : String(cell).padStart(WIDTHS[i]!))).join('');
const percent = (of: HardTally): string => (of.decidable === 0 ? '-' : ((100 * of.right) / of.decidable).toFixed(1));
const cells = (name: string, of: HardTally, seconds: number): (string | number)[] => [
  name, of.decidable, of.right, percent(of), of.wrongFlagged, of.wrongSilent, of.extra, `${of.cleanFlagged}/${of.clean}`, of.undecidable,
  of.undecidedFlagged, of.undecidedLucky, seconds.toFixed(1),
];

console.log(line(HEADS));
const all = newTally();
let spent = 0;
for (const family of families) {
  const began = performance.now();
  const score = scoreHard(hardCorpus({ seed: Number(values.seed), family: family as HardFamily, count: Number(values.count) }));
  const seconds = (performance.now() - began) / 1000;
  spent += seconds;
  const tally = score.families.get(family);
  if (!tally) {
    console.log(`${family.padEnd(WIDTHS[0]!)} not served: the gateway does not know its settings`);
    continue;
  }
  for (const key of Object.keys(all) as (keyof HardTally)[]) all[key] += tally[key];
  console.log(line(cells(family, tally, seconds)));
  if (!values.misses) continue;
  for (const { record, outcome, what } of score.misses) {
    console.log(`    ${outcome === 'right' ? 'flagged though clean' : outcome} ${record.id} ${record.rateHz} S/s capacity ${record.capacity}: ${what}`);
  }
}
console.log(line(cells('all', all, spent)));
