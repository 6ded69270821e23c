import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { openInput } from '../../../daemon/recording/input-file.ts';
import { openTraceFile } from '../../../daemon/recording/trace-files.ts';
import type { TraceAsked } from '../../../daemon/recording/trace-head.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

interface Read {
  readonly unit: string;
  readonly rateHz: number;
  readonly notes: readonly string[];
  readonly blocks: readonly DeviceBlock[];
  readonly fault: unknown;
}

async function read(text: string, asked: TraceAsked = {}, blockSize = 256): Promise<Read> {
  const path = join(tempFolder(), 'a.txt');
  writeFileSync(path, text);
  const trace = await openTraceFile({ input: await openInput(path), channel: 'trace/1', asked, blockSize });
  const blocks: DeviceBlock[] = [];
  let fault: unknown = null;
  try {
    for await (const block of trace.blocks) blocks.push(block);
  } catch (thrown) {
    fault = thrown;
  }
  return { unit: trace.unit, rateHz: trace.rateHz, notes: [...trace.notes, ...trace.lateNotes()], blocks, fault };
}

const lines = (count: number, line: (i: number) => string): string => Array.from({ length: count }, (_, i) => `${line(i)}\n`).join('');
const row = (i: number): string => `${i / 1_000},${i}`;

describe('units that a trace names', () => {
  it.each<[string, string, TraceAsked, string]>([
    ['torque in brackets', 'time_s,Torque (foot-pounds)\n', { torqueColumn: 'Torque (foot-pounds)' }, '--trace-unit'],
    ['time in brackets', 'Time (min),torque_Nm\n', { timeColumn: 'Time (min)' }, '--time-unit'],
    ['time behind an underscore', 'time_ns,torque_Nm\n', { timeColumn: 'time_ns' }, '--time-unit'],
    ['torque in a row of units', 'time,torque\ns,foot-pounds\n', {}, '--trace-unit'],
    ['time in a row of units', 'time,torque\nmin,Nm\n', {}, '--time-unit'],
  ])('are refused when they are not known: %s', async (_what, head, asked, option) => {
    await expect(read(head + lines(10, row), asked)).rejects.toMatchObject({ code: 'INPUT_FORMAT', hint: expect.stringContaining(option) as string });
  });

  it('that are not known are replaced by what a person says', async () => {
    const { unit, blocks } = await read(`time_s,Torque (foot-pounds)\n${lines(10, row)}`, { torqueColumn: 'Torque (foot-pounds)', unit: '[lbf_av].[ft_i]' });
    expect([unit, blocks[0]!.unit]).toEqual(['[lbf_av].[ft_i]', '[lbf_av].[ft_i]']);
  });

  it('hold in NDJSON too, and a torque that contradicts them is refused', async () => {
    const text = lines(10, (i) => JSON.stringify({ time_ms: i, torque_ftlb: i }));
    const columns = { timeColumn: 'time_ms', torqueColumn: 'torque_ftlb' };
    expect(await read(text, columns)).toMatchObject({ unit: '[lbf_av].[ft_i]', rateHz: 1_000, fault: null });
    await expect(read(text, { ...columns, unit: 'N.m' })).rejects.toMatchObject({ code: 'INPUT_FORMAT' });
  });

  it('are told when nothing names them', async () => {
    const { notes } = await read(`time,torque\n${lines(10, row)}`);
    expect(notes).toEqual([expect.stringContaining('"torque"; it is taken for N·m'), expect.stringContaining('"time"; it is taken for seconds')]);
  });

  it('are told when a row below the names holds them', async () => {
    expect(await read(`time;torque\ns;Nm\n${lines(10, (i) => `${i / 1_000};${i},5`)}`)).toMatchObject({ unit: 'N.m', notes: ['line 2 is taken for the row of units'] });
  });

  it.each([[3.333], [4], [1_000]])('are asked for when seconds would be %d apart', async (apart) => {
    await expect(read(`time_s,torque_Nm\n${lines(20, (i) => `${(i * apart).toFixed(3)},${i}`)}`)).rejects.toMatchObject({ code: 'INPUT_FORMAT', hint: expect.stringContaining('--time-unit') as string });
  });
});

describe('columns and rows that could be taken for others', () => {
  it('refuses two columns of one name', async () => {
    await expect(read(`time_s,torque_Nm,torque_Nm\n${lines(10, (i) => `${i / 1_000},${i},${-i}`)}`)).rejects.toMatchObject({ code: 'INPUT_FORMAT', message: expect.stringContaining('two columns') as string });
  });

  it('loses no row behind a lone carriage return in a row with quotes', async () => {
    const { blocks, fault } = await read(`time_s,torque_Nm,note\n${lines(5, (i) => `${row(i)},"c"`)}0.005,5,"a"\r0.006,99,"b"\n${lines(5, (i) => `${row(i + 7)},"c"`)}`);
    expect(fault).toMatchObject({ code: 'INPUT_BAD_ROW', where: expect.stringMatching(/:7$/) as string });
    expect(blocks.flatMap((block) => [...block.device])).toEqual([0, 1, 2, 3, 4]);
  });

  it.each([100, 150, 3_000])('passes over %d lines when asked to', async (skipLines) => {
    const { blocks, fault } = await read(`${lines(skipLines, (i) => `line ${i} of what the logger says about itself`)}time_s,torque_Nm\n${lines(10, row)}`, { skipLines });
    expect(fault).toBeNull();
    expect(blocks.flatMap((block) => [...block.device])).toEqual([0, 1, 2, 3, 4, 5, 6, 7, 8, 9]);
  });
});

describe('times that become uneven late', () => {
  const late = (timeMs: (i: number) => number): string => `time_s,torque_Nm\n${lines(12_000, (i) => `${(timeMs(i) / 1_000).toFixed(6)},${i}`)}`;
  /** Indices of the samples that are flagged. */
  const flagged = ({ blocks }: Read): number[] => blocks.flatMap((block) => (block.timeEstimated ? [...block.device] : []));

  it.each<[string, (i: number) => number]>([
    ['every second one a quarter late', (i) => (i > 5_000 ? i + 0.25 * (i % 2) : i)],
    ['another rate', (i) => (i > 5_000 ? 5_000 + (i - 5_000) * 0.7 : i)],
    ['a rate 3 % off', (i) => (i > 5_000 ? 5_000 + (i - 5_000) * 1.03 : i)],
  ])('tells and flags them: %s', async (_what, timeMs) => {
    const found = await read(late(timeMs));
    expect(found).toMatchObject({ rateHz: 1_000, fault: null, notes: [expect.stringContaining('time-estimated')] });
    const indices = flagged(found);
    expect(indices[0]).toBeGreaterThan(5_000);
    // Two spacings off at 3 % are 67 samples, counted anew every 256.
    expect(indices[0]).toBeLessThan(5_300);
    expect(indices).toEqual(Array.from({ length: 12_000 - indices[0]! }, (_, i) => indices[0]! + i));
    expect(flagged(await read(late(timeMs), {}, 7))).toEqual(indices);
  });

  it('is quiet about a clock that is a little off, and about lone late times', async () => {
    for (const timeMs of [(i: number) => i * 1.0004, (i: number) => (i % 500 === 250 ? i + 0.3 : i)]) {
      const found = await read(late(timeMs));
      expect(found).toMatchObject({ notes: [], fault: null });
      expect(flagged(found)).toEqual([]);
    }
  });

  it('trusts times again that are even again', async () => {
    const found = await read(late((i) => (i > 5_000 && i < 5_100 ? i + 0.25 * (i % 2) : i)));
    const indices = flagged(found);
    expect(indices.length).toBeGreaterThan(80);
    expect(indices.at(-1)).toBeLessThan(7_000);
  });
});
