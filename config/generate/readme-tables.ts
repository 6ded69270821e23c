/** Tables of README.md: what flags and verdicts mean, which drivers there are, how well clicks are found. */
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';
import { DISMISS_MEANINGS, FLAG_MEANINGS, INTERRUPT_MEANINGS, VERDICT_MEANINGS } from '../../shared/reading.ts';
import { pullCorpus } from '../../simulator/corpus/index.ts';
import { scoreCorpus, type Miss, type Tally } from '../../tests/corpus/score.ts';
import { markdownTable, type DocSection } from './doc-section.ts';

const file = 'README.md';

const meaningTable = (head: string, meanings: Readonly<Record<string, string>>): string =>
  markdownTable([head, 'means'], Object.entries(meanings).map(([name, meaning]) => [`\`${name}\``, meaning]));

export const readmeTables: readonly DocSection[] = [
  { file, name: 'verdicts', render: () => meaningTable('verdict', VERDICT_MEANINGS) },
  { file, name: 'flags', render: () => meaningTable('flag', FLAG_MEANINGS) },
  { file, name: 'interruptions', render: () => meaningTable('reason', INTERRUPT_MEANINGS) },
  { file, name: 'dismissals', render: () => meaningTable('reason', DISMISS_MEANINGS) },
  {
    file, name: 'drivers',
    render: () => markdownTable(['driver', 'reads', 'delivery'], BUILT_IN_DRIVERS.map(({ id, title, capabilities }) => [`\`${id}\``, title, capabilities.delivery === 'either' ? 'pushed or polled' : capabilities.delivery])),
  },
  { file, name: 'click accuracy', render: once(() => accuracyText()) },
];

/** The corpus takes seconds; the same process asks for its text several times. */
function once(make: () => string): () => string {
  let text: string | null = null;
  return () => (text ??= make());
}

/** What the pulls of each family of the corpus are. */
const FAMILY_WORDS: Readonly<Record<string, string>> = {
  'clean-click': 'clean clicks, 5 to 35 % deep, falls of 8 to 30 ms',
  'faint-click': 'faint clicks, 2 to 3 % deep',
  'tremor': 'a trembling hand, up to 1 %, 8 to 12 Hz',
  'easing-off': 'easing off by 3 to 12 % over 0.25 to 0.6 s before the click',
  'smooth': 'smooth pulls without a click',
  'ccw': 'counter-clockwise',
  'several': 'several pulls in one record',
  'slip': 'slipping screwdrivers',
  'clutch': 'drivers that shut off by a clutch',
  'cut': 'records that end inside a pull',
};

/** Pulls of this draw had no part in choosing the detector's figures. */
const OTHER_SEED = 7;

function accuracyText(): string {
  const tuned = scoreCorpus();
  const other = scoreCorpus(pullCorpus(OTHER_SEED));
  const table = markdownTable(['pulls', 'records', 'cycles', 'counted right', 'click decided right', 'torque within tolerance'], [
    ...[...tuned.families].map(([family, tally]) => [words(family), ...cells(tally)]),
    ['**all**', ...cells(sum([...tuned.families.values()]))],
    ['**all of another draw**, not looked at when the figures were chosen', ...cells(sum([...other.families.values()]))],
  ]);
  const failures = [...tuned.misses.map((miss) => failure(miss, '')), ...other.misses.map((miss) => failure(miss, 'other draw, '))];
  return `${table}\n\n${failures.length === 0 ? 'None failed.' : `The failures, torques in N·m:\n\n${failures.join('\n')}`}`;
}

const failure = ({ record, what }: Miss, draw: string): string =>
  `- ${draw}${record.family}, ${record.rateHz} samples/s, capacity ${record.capacity}: ${what}`;

function words(family: string): string {
  const text = FAMILY_WORDS[family];
  if (text === undefined) throw new RangeError(`no words for the family ${family} of the corpus`);
  return text;
}

function cells(tally: Tally): string[] {
  return [
    String(tally.records), String(tally.cycles), share(tally.countedRight, tally.cycles), share(tally.clicksRight, tally.clicks), share(tally.valuesRight, tally.values),
  ];
}

/** "34 of 35"; nothing is rounded up to all. */
function share(right: number, of: number): string {
  return `${right} of ${of}`;
}

function sum(tallies: readonly Tally[]): Tally {
  const total: Tally = { records: 0, cycles: 0, countedRight: 0, clicks: 0, clicksRight: 0, values: 0, valuesRight: 0 };
  for (const tally of tallies) for (const key of Object.keys(total) as (keyof Tally)[]) total[key] += tally[key];
  return total;
}
