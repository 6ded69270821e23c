/** `node tests/corpus/print-holes.ts [--seed N] [--count N] [--misses]`: what becomes of pulls across and beside holes, and in delays, by driver and rate. */
import { parseArgs } from 'node:util';
import { HOLE_DEVICES, RATE_CLASSES, holeCases, newTally, scoreHoles, toldMiss, type HoleTally } from './hole-score.ts';

const { values } = parseArgs({
  options: { seed: { type: 'string', default: '1' }, count: { type: 'string', default: '60' }, misses: { type: 'boolean', default: false } },
});
const count = Number(values.count);
const seed = Number(values.seed);

const row = (name: string, rate: string, holes: HoleTally, delays: HoleTally): string =>
  `| ${name} | ${rate} | ${holes.runs} | ${holes.cut} of ${holes.touched} | ${holes.across} | ${holes.lost} of ${holes.innocent} | ${delays.runs} | ${delays.lost} of ${delays.innocent} |`;
const add = (to: HoleTally, from: HoleTally): void => {
  for (const key of Object.keys(to) as (keyof HoleTally)[]) to[key] += from[key];
};

console.log('| driver | samples/s | holes | pulls cut | judged across | other pulls lost | delays | pulls lost |\n| --- | --- | --- | --- | --- | --- | --- | --- |');
const allHoles = newTally();
const allDelays = newTally();
for (const device of HOLE_DEVICES) {
  const holeCasesOf = holeCases(device, 'hole', count, seed);
  const delayCasesOf = holeCases(device, 'delay', Math.ceil(count / 2), seed + 1);
  for (const { name, fits } of RATE_CLASSES) {
    const holes = await scoreHoles(holeCasesOf.filter(({ plan }) => fits(plan.rateHz)));
    const delays = await scoreHoles(delayCasesOf.filter(({ plan }) => fits(plan.rateHz)));
    if (holes.tally.runs + delays.tally.runs === 0) continue;
    add(allHoles, holes.tally);
    add(allDelays, delays.tally);
    console.log(row(device.name, name, holes.tally, delays.tally));
    if (values.misses) for (const miss of [...holes.misses, ...delays.misses]) console.log(`    ${toldMiss(miss)}`);
  }
}
console.log(row('**all**', '', allHoles, allDelays));
