/** Readings as lines of a table for people. */
import { decimalsFor } from '../../shared/display.ts';
import type { DismissedCycle, InterruptedCycle, Reading } from '../../shared/reading.ts';
import { torqueUnit } from '../../shared/units.ts';
import type { LoadedNote } from '../recording/replay-types.ts';

interface Column {
  readonly title: string;
  readonly width: number;
  readonly isNumber?: boolean;
}

const COLUMNS: readonly Column[] = [
  { title: 'no', width: 4, isNumber: true },
  { title: 'began', width: 23 },
  { title: 'lasted', width: 8, isNumber: true },
  { title: 'torque', width: 12, isNumber: true },
  { title: 'highest', width: 12, isNumber: true },
  { title: 'unit', width: 6 },
  { title: 'way', width: 3 },
  { title: 'verdict', width: 9 },
];
/** Times before it come from a trace that counts from its own beginning. */
const SECOND_DAY = '1970-01-02';
const MODE_WORDS: Readonly<Record<Reading['mode'], string>> = { 'track': 'track', 'peak': 'peak', 'first-peak': 'first peak', 'pulse': 'pulse' };

export class ReadingTable {
  readonly #decimals: number;
  #count = 0;

  /** @param resolution smallest step worth showing, in the unit of the readings */
  constructor(resolution: number) {
    this.#decimals = decimalsFor(resolution);
  }

  head(): string {
    return line(COLUMNS.map((column) => column.title), 'remarks');
  }

  reading(reading: Reading): string {
    const remarks = [
      ...(reading.mode === 'first-peak' ? [reading.click ? 'click' : 'no click'] : [MODE_WORDS[reading.mode]]),
      ...(reading.pulse ? [`${reading.pulse.count} pulses in ${(reading.pulse.durationMs / 1_000).toFixed(2)} s, mean of the last ${reading.pulse.meanOf} ${this.#torque(reading.pulse.meanOfLast)}`] : []),
      ...(reading.zeroCheck ? ['zero check'] : []),
      ...reading.flags,
    ];
    return this.#row(reading, this.#torque(reading.value), this.#torque(reading.maximum), reading.verdict === 'none' ? '–' : reading.verdict, remarks);
  }

  withoutReading(cycle: InterruptedCycle | DismissedCycle): string {
    return this.#row(cycle, '–', this.#torque(cycle.maximum), '–', [`no reading: ${cycle.reason}`]);
  }

  loaded({ at, torque, unit, channel }: LoadedNote): string {
    return `      ${beganText(at)}  ${channel} is loaded at rest by ${this.#torque(torque)} ${torqueUnit(unit).symbol}: unload and zero`;
  }

  #row(facts: Reading | InterruptedCycle | DismissedCycle, value: string, maximum: string, verdict: string, remarks: readonly string[]): string {
    this.#count++;
    const lasted = `${(facts.durationMs / 1_000).toFixed(2)} s`;
    return line([String(this.#count), beganText(facts.startedAt), lasted, value, maximum, torqueUnit(facts.unit).symbol, facts.direction, verdict], remarks.join(', '));
  }

  #torque(value: number): string {
    return value.toFixed(this.#decimals);
  }
}

function beganText(at: string): string {
  return at < SECOND_DAY ? `${(Date.parse(at) / 1_000).toFixed(3)} s` : at.replace('T', ' ').replace('Z', '');
}

function line(cells: readonly string[], remarks: string): string {
  const padded = COLUMNS.map(({ width, isNumber }, i) => (isNumber ? cells[i]!.padStart(width) : cells[i]!.padEnd(width)));
  return `${padded.join('  ')}  ${remarks}`.trimEnd();
}
