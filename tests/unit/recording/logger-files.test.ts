import { execFileSync } from 'node:child_process';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decimalEnd, readDecimal } from '../../../daemon/recording/decimal.ts';
import { openInput, type InputKind } from '../../../daemon/recording/input-file.ts';
import { openTraceFile } from '../../../daemon/recording/trace-files.ts';
import type { TraceAsked } from '../../../daemon/recording/trace-head.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

function file(content: string | Buffer, name = 'a.csv'): string {
  const path = join(tempFolder(), name);
  writeFileSync(path, content);
  return path;
}

interface Read {
  readonly unit: string;
  readonly rateHz: number;
  readonly originWallMs: number;
  readonly notes: readonly string[];
  readonly values: number[];
  readonly isEstimated: boolean;
  readonly fault: unknown;
}

async function read(path: string, asked: TraceAsked = {}, format?: InputKind): Promise<Read> {
  const { unit, rateHz, originWallMs, notes, blocks } = await openTraceFile({ input: await openInput(path, format), channel: 'trace/1', asked });
  const values: number[] = [];
  let isEstimated = false;
  let fault: unknown = null;
  try {
    for await (const block of blocks) {
      values.push(...block.device);
      isEstimated ||= block.timeEstimated;
    }
  } catch (thrown) {
    fault = thrown;
  }
  return { unit, rateHz, originWallMs, notes, values, isEstimated, fault };
}

const ROWS = ['0,1.5', '0.001,2.5', '0.002,-3.5'];
const csv = (...lines: string[]): string => `${lines.join('\n')}\n`;

describe('what a logger writes around its rows', () => {
  it('lines before the names are passed over and told, or counted by option', async () => {
    const path = file(csv('Hollin & Fenn bench logger', 'operator: Ines Hollin; tool: HF-W-0042', '', 'time_s,torque_Nm', ...ROWS));
    expect(await read(path)).toMatchObject({ values: [1.5, 2.5, -3.5], notes: ['2 lines before the names of the columns (line 4) passed over'] });
    expect(await read(path, { skipLines: 3 })).toMatchObject({ values: [1.5, 2.5, -3.5], notes: [] });
    await expect(read(path, { skipLines: 1 })).rejects.toMatchObject({ code: 'INPUT_NO_COLUMN' });
  });

  it('two lines that could name the columns are refused', async () => {
    const path = file(csv('time_s,torque_Nm', '0,0', 'time_s,torque_Nm', ...ROWS));
    await expect(read(path)).rejects.toMatchObject({ code: 'INPUT_FORMAT', message: 'lines 1 and 3 could all name the columns', hint: expect.stringContaining('--skip-lines 2') as string });
    expect((await read(path, { skipLines: 2 })).values).toEqual([1.5, 2.5, -3.5]);
  });

  it.each([
    ['UTF-16, little end first', Buffer.from(`\uFEFF${csv('time_s,torque_Nm', ...ROWS)}`, 'utf16le')],
    ['UTF-16, big end first', Buffer.from(`\uFEFF${csv('time_s,torque_Nm', ...ROWS)}`, 'utf16le').swap16()],
    ['UTF-8 with a mark', `\uFEFF${csv('time_s,torque_Nm', ...ROWS)}`],
    ['Latin 1 before the names', Buffer.from(csv('Pr\u00fcfstand \u00b5', 'time_s,torque_Nm', ...ROWS), 'latin1')],
    ['a lone carriage return at the end of each line', csv('time_s,torque_Nm', ...ROWS).replaceAll('\n', '\r')],
    ['a delimiter behind the last column', csv('time_s,torque_Nm', ...ROWS.map((row) => `${row},`))],
    ['empty lines at the end', `${csv('time_s,torque_Nm', ...ROWS)}\n\r\n\n`],
  ])('%s is read', async (_what, content) => {
    expect((await read(file(content))).values).toEqual([1.5, 2.5, -3.5]);
  });

  it.each(['a.txt', 'a.dat', 'log', 'a.ndjson'])('under the name %s', async (name) => {
    expect((await read(file(csv('time_s,torque_Nm', ...ROWS), name))).values).toEqual([1.5, 2.5, -3.5]);
    const objects = ROWS.map((row) => row.split(',').map(Number)).map(([time, torque]) => JSON.stringify({ time_s: time, torque_Nm: torque }));
    expect((await read(file(csv(...objects), name))).values).toEqual([1.5, 2.5, -3.5]);
  });

  it('from a pipe', async () => {
    const path = join(tempFolder(), 'pipe');
    execFileSync('mkfifo', [path]);
    const writing = import('node:fs/promises').then(({ writeFile }) => writeFile(path, csv('time_s,torque_Nm', ...ROWS)));
    expect((await read(path)).values).toEqual([1.5, 2.5, -3.5]);
    await writing;
  });
});

describe('units of the columns', () => {
  it.each([
    ['a name in brackets', ['Time (ms),Torque (ft-lb)', '0,1', '4,2', '8,3'], '[lbf_av].[ft_i]', 250],
    ['a name behind an underscore', ['time_ms,torque_cNm', '0,1', '4,2', '8,3'], 'cN.m', 250],
    ['square brackets and microseconds', ['time [us],torque [N.m]', '0,1', '500,2', '1000,3'], 'N.m', 2_000],
    ['a row of units', ['time,torque', 'ms,lbf-in', '0,1', '4,2', '8,3'], '[lbf_av].[in_i]', 250, ['line 2 is taken for the row of units']],
  ])('by %s', async (_what, lines, unit, rateHz, notes: string[] = []) => {
    expect(await read(file(csv(...lines)))).toMatchObject({ unit, rateHz, values: [1, 2, 3], notes });
  });

  it('that contradict each other are refused', async () => {
    const path = file(csv('time_s,Torque (ft-lb)', '0,1', '0.1,2', '0.2,3'));
    await expect(read(path, { unit: 'N.m' })).rejects.toMatchObject({
      code: 'INPUT_FORMAT', message: 'the unit of the torque in "Torque (ft-lb)" is N·m by --trace-unit, but lbf·ft by the name of the column',
    });
    await expect(read(file(csv('time_ms,torque_Nm', 's,Nm', '0,1', '1,2', '2,3')))).rejects.toMatchObject({ code: 'INPUT_FORMAT' });
  });

  it('that nothing says are told', async () => {
    const path = file(csv('t,M', '0,1', '0.1,2', '0.2,3'));
    expect(await read(path, { timeColumn: 't', torqueColumn: 'M' })).toMatchObject({
      unit: 'N.m', notes: ['nothing says the unit of "M"; it is taken for N·m (--trace-unit says another)', 'nothing says the unit of "t"; it is taken for seconds (--time-unit says another)'],
    });
    expect(await read(path, { timeColumn: 't', torqueColumn: 'M', unit: 'cN.m', timeUnit: 's' })).toMatchObject({ unit: 'cN.m', notes: [] });
  });

  it('milliseconds in a column of seconds are refused, not taken for a very slow channel', async () => {
    const path = file(csv('time_s,torque_Nm', ...Array.from({ length: 50 }, (_, i) => `${4 * i},${i}`)));
    await expect(read(path)).rejects.toMatchObject({ code: 'INPUT_FORMAT', message: expect.stringContaining('they look like milliseconds') as string, hint: expect.stringContaining('--time-unit ms') as string });
    expect(await read(path, { timeUnit: 'ms' })).toMatchObject({ rateHz: 250 });
    expect(await read(path, { timeUnit: 's' })).toMatchObject({ rateHz: 0.25 });
  });
});

describe('dates and times', () => {
  it('are read with their zone, and as UTC without one, which is told', async () => {
    const zoned = await read(file(csv('timestamp,torque_Nm', ...Array.from({ length: 5 }, (_, i) => `2026-11-30T09:15:00.${String(100 + 4 * i)}+01:00,${i}`))));
    expect(zoned).toMatchObject({ rateHz: 250, originWallMs: Date.UTC(2026, 10, 30, 8, 15, 0, 100), notes: [], values: [0, 1, 2, 3, 4] });
    const bare = await read(file(csv('timestamp,torque_Nm', '2026-11-30 08:15:00.100,0', '2026-11-30 08:15:00.104,1', '2026-11-30 08:15:00.108,2')));
    expect(bare).toMatchObject({ originWallMs: zoned.originWallMs, notes: ['"timestamp" names no time zone; it is taken for UTC'] });
  });

  it('that do not exist name their line', async () => {
    const { fault } = await read(file(csv('timestamp,torque_Nm', ...[0, 1, 2, 3].map((i) => `2026-11-30T08:15:00.${i}Z,${i}`), '2026-02-31T08:15:00Z,1')));
    expect(fault).toMatchObject({ code: 'INPUT_BAD_ROW', message: expect.stringContaining('line 6: timestamp is "2026-02-31T08:15:00Z"') as string });
  });
});

describe('uneven times', () => {
  it('of a quarter of the spacing are told and flagged; even ones are not', async () => {
    const uneven = file(csv('time_s,torque_Nm', ...Array.from({ length: 3_000 }, (_, i) => `${((i + 0.125 * (i % 2)) / 500).toFixed(6)},${i}`)));
    expect(await read(uneven)).toMatchObject({ rateHz: 500, isEstimated: true, notes: [expect.stringMatching(/^the times leave an even spacing by up to 1[23] %/) as string] });
    const even = file(csv('time_s,torque_Nm', ...Array.from({ length: 3_000 }, (_, i) => `${(i / 500).toFixed(6)},${i}`)));
    expect(await read(even)).toMatchObject({ isEstimated: false, notes: [] });
  });
});

describe('numbers from bytes', () => {
  it('are what Number makes of the same text, bit for bit, or left to it', () => {
    const text = fc.oneof(
      fc.double({ noNaN: true, noDefaultInfinity: true }).map(String),
      fc.tuple(fc.constantFrom('', '-', '+'), fc.integer({ min: 0, max: 999_999_999 }), fc.integer({ min: 0, max: 999_999_999 })).map(([sign, whole, part]) => `${sign}${whole}.${part}`),
      fc.integer().map((value) => (value / 1_000).toFixed(3)),
      fc.stringMatching(/^[-+]?\d{0,20}\.?\d{0,25}$/),
    );
    fc.assert(fc.property(text, (written) => {
      const bytes = Buffer.from(`${written};`);
      const value = readDecimal(bytes, 0, bytes.length, -1);
      if (Number.isNaN(value) || decimalEnd !== bytes.length - 1) return;
      expect(Object.is(value, Number(written)), written).toBe(true);
    }), { numRuns: 5_000 });
    for (const [written, value] of [['0.1', 0.1], ['-0', -0], ['123456789012345', 123456789012345], ['0.000000000000000123', 1.23e-16], ['.5', 0.5], ['5.', 5]] as const) {
      expect(Object.is(readDecimal(Buffer.from(written), 0, written.length, -1), value), written).toBe(true);
    }
    for (const written of ['', '-', '.', '1234567890123456', 'abc', `0.${'0'.repeat(23)}1`]) expect(readDecimal(Buffer.from(written), 0, written.length, -1), written).toBeNaN();
  });

  it('give the same rows with and without quotes, however the file is cut', async () => {
    await fc.assert(fc.asyncProperty(
      fc.array(fc.double({ min: -1e6, max: 1e6, noNaN: true }), { minLength: 3, maxLength: 60 }), fc.constantFrom(',', ';', '\t'), fc.constantFrom('\n', '\r\n'),
      async (torques, delimiter, end) => {
        const lines = (quote: string): string => [`time_s${delimiter}n${delimiter}torque_Nm`, ...torques.map((torque, i) => `${i / 1_000}${delimiter}x${delimiter}${quote}${torque}${quote}`)].join(end);
        const plain = await read(file(lines('')));
        const quoted = await read(file(lines('"')));
        // 0 and -0 are written alike.
        expect(plain.values).toEqual(torques.map((torque) => Number(`${torque}`)));
        expect(quoted).toEqual(plain);
      },
    ), { numRuns: 40 });
  });

  it('from damaged files are never another value', async () => {
    const whole = csv('time_s,torque_Nm', ...Array.from({ length: 200 }, (_, i) => `${(i / 1_000).toFixed(3)},${(i * 0.25).toFixed(2)}`));
    const right = new Set(Array.from({ length: 200 }, (_, i) => i * 0.25));
    await fc.assert(fc.asyncProperty(fc.integer({ min: 20, max: whole.length - 1 }), fc.constantFrom('x', '"', ',', ';', '\u0000', '\uFFFD', ''), async (at, by) => {
      const path = file(whole.slice(0, at) + by + (by === '' ? '' : whole.slice(at + 1)));
      const result = await read(path).catch((thrown: unknown) => ({ values: [] as number[], fault: thrown }));
      // A digit that is missing at the cut may be another number; whatever else is refused.
      const wrong = result.values.slice(0, by === '' ? -1 : undefined).filter((value) => !right.has(value));
      if (wrong.length > 0) expect(result.fault, `${at} ${JSON.stringify(by)} ${wrong.join()}`).not.toBeNull();
    }), { numRuns: 300 });
  });
});
