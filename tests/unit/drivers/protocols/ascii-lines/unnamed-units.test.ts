import { describe, expect, it } from 'vitest';
import { AsciiLinesCodec } from '../../../../../drivers/protocols/ascii-lines/codec.ts';
import { asciiLines } from '../../../../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../../../../drivers/protocols/ascii-lines/options.ts';
import type { DriverEvent } from '../../../../../drivers/api.ts';
import { createMemoryLink } from '../../../../../drivers/links/memory-link.ts';
import { systemClock } from '../../../../../shared/clock.ts';
import { TORQUE_UNITS } from '../../../../../shared/units.ts';

type Input = Readonly<Record<string, unknown>>;

/** Values with their units, channel by channel, and what was told. */
function read(options: Input, ...lines: string[]): { units: (string | null)[]; told: string[]; faults: number } {
  const codec = new AsciiLinesCodec(AsciiLinesOptions.parse({ encoding: 'utf8', ...options }));
  const seen = { units: [] as (string | null)[], told: [] as string[], faults: 0 };
  for (const line of lines) {
    const bytes = Buffer.from(line);
    codec.decode(bytes, Int32Array.of(0, bytes.length), 1, {
      value: (_channel, _value, unit) => seen.units.push(unit),
      fault: () => seen.faults++,
      tell: (channel, code, message) => seen.told.push(`${channel} ${code} ${message}`),
      recognise: () => false,
    });
  }
  return seen;
}

describe('a unit in a column that no setting names', () => {
  const columns = { separator: ';' };

  it('is taken when it stands behind the torque, and told once', () => {
    const seen = read(columns, '1.5;cNm', '1.6;cNm', '1.7;cNm');
    expect(seen.units).toEqual(['cN.m', 'cN.m', 'cN.m']);
    expect(seen.told).toEqual(['0 UNIT_UNNAMED the line names the unit cN.m in column 2, which no option of the driver names; the unit of the line is taken']);
  });

  it.each(TORQUE_UNITS.flatMap(({ ucum, spellings }) => spellings.map((spelling) => [spelling, ucum])))('%s', (spelling, ucum) => {
    const seen = read(columns, `1.5;${spelling}`);
    expect([seen.units, seen.told.length]).toEqual([[ucum], 1]);
  });

  it('is not worth a word when its column is named', () => {
    expect(read({ separator: ';', channels: [{ column: 1, unitColumn: 2 }] }, '1.5;Nm', '1.6;N·m')).toEqual({ units: ['N.m', 'N.m'], told: [], faults: 0 });
  });

  it('changes from line to line as the device says, each unit told once', () => {
    const seen = read(columns, '1.5;Nm', '150;cNm', '1.6;Nm', '160;cNm', '1600;mNm');
    expect(seen.units).toEqual(['N.m', 'cN.m', 'N.m', 'cN.m', 'mN.m']);
    expect(seen.told).toHaveLength(3);
  });

  it('is the whole line\'s where it stands first or behind a word', () => {
    expect(read({ separator: ';', channels: [{ column: 2 }] }, 'cNm;1.5').units).toEqual(['cN.m']);
    expect(read({ separator: ';', channels: [{ column: 1, statusColumn: 2 }], status: { good: ['OK'] } }, '1.5;OK;cNm').units).toEqual(['cN.m']);
    expect(read({ ...columns, channels: [{ column: 1 }, { column: 2 }] }, '1;2;;cNm').units).toEqual(['cN.m', 'cN.m']);
  });

  it('goes with its own channel', () => {
    const seen = read({ ...columns, channels: [{ column: 1 }, { column: 3 }] }, '1;Nm;20;cNm');
    expect(seen.units).toEqual(['N.m', 'cN.m']);
    expect(seen.told).toHaveLength(2);
  });

  it('behind a number of nobody is told and not taken', () => {
    const seen = read(columns, '1.5;15.3;kgf.cm', '1.5;15.3;kgf.cm');
    expect(seen.units).toEqual([null, null]);
    expect(seen.told).toEqual([expect.stringContaining('nobody can tell whose')]);
  });

  it('is not taken when the line names two', () => {
    const seen = read({ separator: ';', channels: [{ column: 3 }] }, 'Nm;cNm;1.5');
    expect([seen.units, seen.told.length]).toEqual([[null], 1]);
    expect(read({ separator: ';', channels: [{ column: 3 }] }, 'kgf.m;cNm;1.5')).toMatchObject({ units: [null], told: [expect.stringContaining('not taken')] });
  });

  it('does not override the unit that stands beside the torque', () => {
    expect(read(columns, '1.5 mNm;cNm')).toEqual({ units: ['mN.m'], told: [], faults: 0 });
    expect(read({ separator: ';', channels: [{ column: 1, unitColumn: 3 }] }, '1.5;cNm;mNm')).toEqual({ units: ['mN.m'], told: [], faults: 0 });
  });

  it('is seen in columns between spaces, and where each line has one channel', () => {
    expect(read({ separator: ' ' }, '1.5   cNm').units).toEqual(['cN.m']);
    expect(read({ separator: ';', channels: [{ column: 2 }], lineChannel: { column: 1, names: ['A', 'B'] } }, 'B;1.5;cNm').units).toEqual(['cN.m']);
  });
});

describe('words that are no torque unit', () => {
  const words = ['OK', 'NG', 'LO', 'HI', 'GO', 'ST', 'US', 'PASS', 'FAIL', 'PEAK', 'TRACK', 'N', 'm', 'N/m', 'MNm', 'kg', 'lb', 'in', 'ft', 'oz', 'J', 'deg', 'rpm', 'cm', 'nM2', 'Nmm2', 'A17', '0x1F', '12:30:05', '2026-11-25', '°'];

  it.each(words)('%s is passed over without a word, again and again', (word) => {
    const lines = Array.from({ length: 3 }, () => `1.5;${word}`);
    expect(read({ separator: ';', encoding: 'utf8' }, ...lines)).toEqual({ units: [null, null, null], told: [], faults: 0 });
  });

  it('do not hide a unit that comes after them', () => {
    const many = Array.from({ length: 200 }, (_, i) => `1.5;S${i};x${i}`);
    expect(read({ separator: ';' }, ...many, '1.5;S1;x1', '1.5;cNm;x1').units.at(-1)).toBe('cN.m');
  });
});

describe('a group of a pattern that is not called unit', () => {
  it('is taken and told when it catches one', () => {
    const seen = read({ pattern: '^(?<value>[-+\\d.]+) (?<dimension>\\S+) (\\S+)$' }, '1.5 cNm OK', '1.6 cNm OK', '1.7 Nm OK');
    expect(seen.units).toEqual(['cN.m', 'cN.m', 'N.m']);
    const told = expect.stringContaining('a group that is not called "unit"') as unknown;
    expect(seen.told).toEqual([told, told]);
    expect(read({ pattern: '^(?<value>[-+\\d.]+) (\\S+)$' }, '1.5 cNm').units).toEqual(['cN.m']);
  });

  it('does not matter beside a group that is', () => {
    expect(read({ pattern: '^(?<value>[-+\\d.]+) (?<unit>\\S+) (?<other>\\S+)$' }, '1.5 mNm cNm', '1.5 mNm mNm')).toEqual({ units: ['mN.m', 'mN.m'], told: [], faults: 0 });
  });
});

describe('the driver', () => {
  it('tells it as a fault that costs no sample, in both ways of delivery', async () => {
    for (const isAsked of [false, true]) {
      const { link, far } = createMemoryLink(systemClock);
      if (isAsked) far.onWrite(() => far.deliver('1.5;cNm\n'));
      const options = AsciiLinesOptions.parse({ separator: ';', ...(isAsked && { poll: { request: 'M', rateHz: 100 } }) });
      const session = asciiLines.createSession({ options, link, clock: systemClock, signal: new AbortController().signal });
      const events: DriverEvent[] = [];
      // A busy machine may miss a turn of asking, which is told too.
      const isOf = (event: DriverEvent): boolean => event.kind === 'values' || event.error.code === 'UNIT_UNNAMED';
      const three = new Promise<void>((resolve) => session.events$.subscribe((event) => void (isOf(event) && events.push(event) >= 3 && resolve())));
      await session.start();
      if (!isAsked) for (let i = 0; i < 3; i++) far.deliver('1.5;cNm\n');
      await three;
      await session.stop();
      expect(events.slice(0, 3)).toMatchObject([
        { kind: 'fault', missing: 0, channel: 0, error: { code: 'UNIT_UNNAMED', hint: expect.stringContaining('unitColumn') as unknown } },
        { kind: 'values', unit: 'cN.m' }, { kind: 'values', unit: 'cN.m' },
      ]);
    }
  });
});
