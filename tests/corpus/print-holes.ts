/** Prints what becomes of pulls beside holes and delays, for each driver: `node tests/corpus/print-holes.ts [--count 200] [--seed 51]`. Ends with 1 when one is wrong. */
import { parseArgs } from 'node:util';
import { DRIVERS, tally } from '../helpers/holes-through-drivers.ts';

const { values } = parseArgs({ options: { count: { type: 'string', default: '200' }, seed: { type: 'string', default: '51' } } });
const [count, seed] = [Number(values.count), Number(values.seed)];
process.stdout.write('| driver | device | plans | pulls cut | judged across | pulls whole | lost or double | at an end |\n|---|---|---|---|---|---|---|---|\n');
for (const driver of DRIVERS) {
  for (const kind of ['hole', 'delay'] as const) {
    const { plans, cut, across, whole, lost, near, wrong } = await tally(driver, kind, count, seed);
    process.stdout.write(`| ${driver} | ${kind === 'hole' ? 'silent, rest missing' : 'late, all there'} | ${plans} | ${cut} | ${across} | ${whole} | ${lost} | ${near} |\n`);
    for (const line of wrong) process.stderr.write(`${line}\n`);
    if (wrong.length > 0) process.exitCode = 1;
  }
}
