import { expect, it } from 'vitest';
import { ReadingTable } from '../../../daemon/commands/reading-table.ts';
import type { InterruptedCycle, Reading } from '../../../shared/reading.ts';

const reading: Reading = {
  type: 'reading', id: 'x', seq: null, source: 'a.csv', channel: 'trace/1', epoch: 1, mode: 'first-peak', value: -50.123456, unit: 'N.m',
  direction: 'ccw', maximum: -57.9, click: true, startedAt: '2026-11-25T08:00:00.000Z', durationMs: 2_140, target: 50, low: 48, high: 52,
  verdict: 'within', uncertainty: null, sampleRateHz: 1_000, cutoffHz: null, flags: ['gap'], traceId: null,
};

it('shows readings in columns under their titles, rounded to the step that is given', () => {
  const table = new ReadingTable(0.01);
  const [head, line] = [table.head(), table.reading(reading)];
  expect(line).toBe('   1  2026-11-25 08:00:00.000    2.14 s        -50.12        -57.90  N·m     ccw  within     click, gap');
  for (const [title, cell] of [['torque', '-50.12'], ['highest', '-57.90'], ['lasted', '2.14 s']] as const) {
    expect(head.indexOf(title) + title.length).toBe(line.indexOf(cell) + cell.length);
  }
  for (const [title, cell] of [['unit', 'N·m'], ['way', 'ccw'], ['verdict', 'within'], ['remarks', 'click']] as const) {
    expect(head.indexOf(title)).toBe(line.indexOf(cell));
  }
});

it('tells an interrupted cycle without a torque and without a verdict, and a time of a trace in seconds', () => {
  const cycle: InterruptedCycle = {
    type: 'cycle.interrupted', source: 'a.csv', channel: 'trace/1', epoch: 1, mode: 'peak', reason: 'record-ended', direction: 'cw', unit: 'N.m',
    maximum: 12.3456, startedAt: '1970-01-01T00:00:01.000Z', durationMs: 500,
  };
  expect(new ReadingTable(0.1).withoutReading(cycle)).toBe('   1  1.000 s                    0.50 s             –          12.3  N·m     cw   –          no reading: record-ended');
});
