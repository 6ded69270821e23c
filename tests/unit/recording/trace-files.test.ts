import { appendFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { openInput, type InputKind } from '../../../daemon/recording/input-file.ts';
import { openTraceFile, type TraceFileOptions } from '../../../daemon/recording/trace-files.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

function file(content: string | Buffer, name = 'a.csv'): string {
  const path = join(tempFolder(), name);
  writeFileSync(path, content);
  return path;
}

async function read(path: string, extra: Partial<TraceFileOptions> = {}, format?: InputKind): Promise<{ rateHz: number; blocks: DeviceBlock[]; fault: unknown }> {
  const trace = await openTraceFile({ input: await openInput(path, format), channel: 'trace/1', ...extra });
  const blocks: DeviceBlock[] = [];
  try {
    for await (const block of trace.blocks) blocks.push(block);
  } catch (fault) {
    return { rateHz: trace.rateHz, blocks, fault };
  }
  return { rateHz: trace.rateHz, blocks, fault: null };
}

const values = (blocks: readonly DeviceBlock[]): number[] => blocks.flatMap((block) => [...block.device]);
const rows = (count: number, rateHz: number, from = 0): string[] => Array.from({ length: count }, (_, i) => `${((from + i) / rateHz).toFixed(6)},${i / 4}`);
const csv = (lines: readonly string[]): string => `time_s,torque_Nm\n${lines.join('\n')}\n`;

/** What matters of every sample: its index, value, time, and whether it follows the one before. */
function samples(blocks: readonly DeviceBlock[]): { index: number; value: number; atMs: number; gap: string | null }[] {
  return blocks.flatMap((block) => [...block.device].map((value, i) => ({
    index: block.firstIndex + i, value, atMs: block.startMs + i * block.spacingMs, gap: i === 0 ? block.gap : null,
  })));
}

describe('a CSV trace', () => {
  it('gives its samples with rate, times and one beginning', async () => {
    const { rateHz, blocks, fault } = await read(file(csv(rows(1_000, 1_000))), { blockSize: 100 });
    expect(fault).toBeNull();
    expect(rateHz).toBe(1_000);
    expect(blocks.map((block) => [block.firstIndex, block.device.length, block.gap])).toEqual(
      Array.from({ length: 10 }, (_, i) => [i * 100, 100, i === 0 ? 'connected' : null]));
    expect(blocks[3]!.startMs).toBe(300);
    expect(values(blocks)).toEqual(Array.from({ length: 1_000 }, (_, i) => i / 4));
  });

  it.each([
    ['semicolons and decimal commas', 'time_s;torque_Nm\n0,000;1,5\n0,001;2,5\n0,002;-3,5\n'],
    ['tabs', 'time_s\ttorque_Nm\n0\t1.5\n.001\t2.5\n2e-3\t-3.5\n'],
    ['a byte order mark and CRLF', '\uFEFFtime_s,torque_Nm\r\n0,1.5\r\n0.001,2.5\r\n0.002,-3.5\r\n'],
    ['quotes', '"time_s","torque_Nm"\n"0","1.5"\n0.001,"2.5"\n"0.002",-3.5\n'],
    ['other columns around', 'n,torque_Nm,"note, long",time_s\n1,1.5,x,0\n2,2.5,"y, z",0.001\n3,-3.5,,0.002\n'],
    ['blank lines and no last line end', '\ntime_s,torque_Nm\n0,1.5\n\n0.001,2.5\n0.002,-3.5'],
    ['spaces', 'time_s, torque_Nm\n0, 1.5\n 0.001 , 2.5\n0.002,\t-3.5\n'],
  ])('reads %s', async (_what, content) => {
    const { rateHz, blocks, fault } = await read(file(content));
    expect(fault).toBeNull();
    expect(rateHz).toBe(1_000);
    expect(values(blocks)).toEqual([1.5, 2.5, -3.5]);
  });

  it('reads columns by other names', async () => {
    const path = file('t;M\n0;1\n0,1;2\n0,2;3\n');
    expect((await read(path, { asked: { timeColumn: 't', torqueColumn: 'M' } })).blocks[0]!.device).toEqual(new Float64Array([1, 2, 3]));
    await expect(read(path)).rejects.toMatchObject({ code: 'INPUT_NO_COLUMN', message: 'there is no column "time_s"; found are "t", "M"' });
  });

  it.each([
    ['a word', '0.100,abc', 'torque_Nm is "abc"'],
    ['nothing', '0.100,', 'torque_Nm is empty'],
    ['NaN', '0.100,NaN', 'torque_Nm is "NaN"'],
    ['Infinity', '0.100,Infinity', 'torque_Nm is "Infinity"'],
    ['more than a double holds', '0.100,1e999', 'torque_Nm is "1e999"'],
    ['more than a torque can be', '0.100,1e300', 'torque_Nm is "1e300"'],
    ['later than any date', '1e13,1', 'time_s is 10000000000000'],
    ['a hexadecimal number', '0.100,0x10', 'torque_Nm is "0x10"'],
    ['a decimal comma between commas', '0.100,1,5', 'has 3 columns, the header 2'],
    ['a row that is too short', '0.100', 'has 1 columns, the header 2'],
    ['a time that goes back', '0.050,1', 'time_s is 0.05, not later than 0.099'],
    ['a time that stands still', '0.099,1', 'time_s is 0.099, not later than 0.099'],
    ['an open quote', '0.100,"1', 'its quotes do not match'],
    ['a line of 10 MB', `0.100,${'1'.repeat(10_000_000)}`, 'is longer than 65536 bytes'],
  ])('with %s in a row names the line, after every sample before it', async (_what, bad, message) => {
    const lines = rows(100, 1_000);
    const path = file(csv([...lines, bad, '0.101,7', '0.102,7']));
    const { blocks, fault } = await read(path, { blockSize: 64 });
    expect(fault).toMatchObject({ code: 'INPUT_BAD_ROW', where: `${path}:102`, message: expect.stringContaining(`line 102: ${message}`) as string });
    expect(values(blocks)).toEqual(Array.from({ length: 100 }, (_, i) => i / 4));
  });

  it('finds a bad row far behind the part from which the rate was found', async () => {
    const path = file(csv([...rows(10_000, 1_000), '10.000,x', '10.001,1']));
    const { blocks, fault } = await read(path);
    expect(fault).toMatchObject({ code: 'INPUT_BAD_ROW', where: `${path}:10002` });
    expect(values(blocks)).toHaveLength(10_000);
  });

  it('tells a hole as a gap and does not fill it', async () => {
    const path = file(csv([...rows(50, 1_000), ...rows(50, 1_000, 60)]));
    const { blocks, fault } = await read(path);
    expect(fault).toBeNull();
    expect(blocks.map((block) => [block.firstIndex, block.device.length, block.gap, block.startMs])).toEqual([
      [0, 50, 'connected', 0], [60, 50, 'lost-samples', 60],
    ]);
  });

  it('takes jitter of a third of the spacing for what it is', async () => {
    const lines = Array.from({ length: 5_000 }, (_, i) => `${((i + 0.3 * Math.sin(i * 1.7)) / 500).toFixed(6)},${i}`);
    const { rateHz, blocks, fault } = await read(file(csv(lines)));
    expect(fault).toBeNull();
    expect(rateHz).toBe(500);
    expect(blocks.filter((block) => block.gap !== null)).toHaveLength(1);
  });

  it('finds the rate behind times that were rounded', async () => {
    const lines = Array.from({ length: 3_000 }, (_, i) => `${(i / 3_000).toFixed(4)},${i}`);
    expect((await read(file(csv(lines)))).rateHz).toBe(3_000);
  });

  it('does not bend a rate that is not round', async () => {
    const { rateHz, blocks } = await read(file(csv(rows(3_000, 1_237.5))));
    expect(rateHz).toBeCloseTo(1_237.5, 2);
    // The times are those of the file to some microseconds, also far from the start.
    const last = samples(blocks).at(-1)!;
    expect(Math.abs(last.atMs - (2_999 / 1_237.5) * 1_000)).toBeLessThan(0.01);
  });

  it('refuses times without an even rate instead of judging them', async () => {
    const lines = Array.from({ length: 500 }, (_, i) => `${(i + (i % 3 === 0 ? 0.8 : 0)).toFixed(3)},1`);
    await expect(read(file(csv(lines)))).rejects.toMatchObject({ code: 'INPUT_FORMAT', message: expect.stringContaining('not evenly spaced') as string });
  });

  it('names the line at which the sample rate changes', async () => {
    const second = Array.from({ length: 500 }, (_, i) => `${(5 + i / 100).toFixed(3)},1`);
    const { fault } = await read(file(csv([...rows(5_000, 1_000), ...second])));
    expect(fault).toMatchObject({ code: 'INPUT_BAD_ROW', message: expect.stringMatching(/^line 50\d\d: the times stop to fit 1000 S\/s$/) as string });
  });

  it('without rows, without a header, or empty says so', async () => {
    await expect(read(file(''))).rejects.toMatchObject({ code: 'INPUT_FORMAT', message: 'the file is empty' });
    await expect(read(file('0,1\n0.1,2\n'))).rejects.toMatchObject({ code: 'INPUT_NO_COLUMN' });
    await expect(read(file('time_s,torque_Nm\n'))).rejects.toMatchObject({ code: 'INPUT_FORMAT' });
    await expect(read('/nonexistent/a.csv')).rejects.toMatchObject({ code: 'INPUT_NOT_FOUND' });
  });

  it('gives the same samples at the same times for any block size', async () => {
    const lines = [...rows(6_000, 3_000), ...rows(2_000, 3_000, 6_010)];
    const path = file(csv(lines));
    const expected = samples((await read(path, { blockSize: 65_536 })).blocks);
    await fc.assert(fc.asyncProperty(fc.integer({ min: 1, max: 5_000 }), async (blockSize) => {
      const { blocks } = await read(path, { blockSize });
      expect(blocks.every((block) => block.device.length <= blockSize)).toBe(true);
      expect(samples(blocks)).toEqual(expected);
    }), { numRuns: 12 });
  });
});

describe('an NDJSON trace', () => {
  const lines = (count: number): string => Array.from({ length: count }, (_, i) => `${JSON.stringify({ n: i, time_s: i / 1_000, torque_Nm: i / 4 })}\n`).join('');

  it('gives the samples that the same CSV gives', async () => {
    const ndjson = await read(file(lines(3_000), 'a.ndjson'));
    const plain = await read(file(csv(rows(3_000, 1_000))));
    expect(ndjson).toEqual(plain);
  });

  it.each([
    ['no JSON', '{"time_s":0.1,"torque', 'is no JSON'],
    ['a list', '[0.1, 5]', 'is no JSON object'],
    ['a text for a number', '{"time_s":0.1,"torque_Nm":"5"}', 'torque_Nm is "5"'],
    ['null', '{"time_s":0.1,"torque_Nm":null}', 'torque_Nm is null'],
    ['a missing number', '{"time_s":0.1}', 'torque_Nm is missing'],
    ['an infinity', '{"time_s":0.1,"torque_Nm":1e999}', 'torque_Nm is null'],
    ['a time that goes back', '{"time_s":0.01,"torque_Nm":5}', 'time_s is 0.01, not later than'],
    ['a line of 10 MB', `{"x":"${'y'.repeat(10_000_000)}"}`, 'is longer than 65536 bytes'],
  ])('with %s in a line names it', async (_what, bad, message) => {
    const path = file(lines(100), 'a.ndjson');
    appendFileSync(path, `${bad}\n{"time_s":0.2,"torque_Nm":5}\n`);
    const { blocks, fault } = await read(path);
    expect(fault).toMatchObject({ code: 'INPUT_BAD_ROW', where: `${path}:101`, message: expect.stringContaining(message) as string });
    expect(values(blocks)).toHaveLength(100);
  });
});
