/** Bytes of the simulator's own line writer, of noise and of frames: what is proposed, and what is not. */
import { describe, expect, it } from 'vitest';
import { parse, stringify } from 'yaml';
import { analyse } from '../../../daemon/probe/analyse.ts';
import type { HeardBytes, LinesAnalysis } from '../../../daemon/probe/heard.ts';
import { proposedSettings } from '../../../daemon/probe/settings-entry.ts';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { AsciiLinesCodec } from '../../../drivers/protocols/ascii-lines/codec.ts';
import { AsciiLinesOptions } from '../../../drivers/protocols/ascii-lines/options.ts';
import { STATUS } from '../../../shared/sample-block.ts';
import { filledIn } from '../../helpers/fill-in.ts';
import { LineFormat, lineWriter } from '../../../simulator/instruments/line-format.ts';
import { SeededRandom } from '../../../simulator/random.ts';

const RATE_HZ = 200;
const CHUNK_LINES = 5;

/** Chunks that end in the middle of lines, as they arrive; the first and the last line are cut. */
function heardText(lines: readonly string[], encode = (text: string): Uint8Array => new TextEncoder().encode(text)): HeardBytes {
  const text = lines.join('').slice(3, -3);
  const chunks: Uint8Array[] = [];
  const arrivals: { at: number; atMs: number }[] = [];
  let at = 0;
  let from = 0;
  let to = 0;
  lines.forEach((line, i) => {
    to += line.length;
    if (i % CHUNK_LINES !== CHUNK_LINES - 1) return;
    const bytes = encode(text.slice(from, to));
    arrivals.push({ at, atMs: 1_000 + (i * 1_000) / RATE_HZ });
    chunks.push(bytes);
    at += bytes.length;
    from = to;
  });
  return { data: Uint8Array.from(Buffer.concat(chunks)), arrivals };
}

/** A pull up to 12 and down beyond zero, two channels. */
function simulated(format: Partial<LineFormat>, count = 300): string[] {
  const write = lineWriter(LineFormat.parse(format));
  return Array.from({ length: count }, (_, i) => {
    const torque = 12 * Math.sin(i / 40) + 0.01 * Math.sin(i * 7.3);
    return write(Float64Array.of(torque, -torque / 2 + 0.3), { isOverloaded: format.columns?.includes('status') === true && i > 280, counter: i + 65_400, millis: i * 5 });
  });
}

function asLines(heard: HeardBytes): LinesAnalysis {
  const analysis = analyse(heard);
  expect(analysis, JSON.stringify(analysis)).toMatchObject({ kind: 'lines' });
  return analysis as LinesAnalysis;
}

const FORMATS: readonly (readonly [string, Partial<LineFormat>, object, readonly (string | null)[]])[] = [
  ['one number', { columns: ['channel-1'] }, {}, [null]],
  ['value, unit and status with blanks', { columns: ['channel-1', 'unit', 'status'], separator: ' ' },
    { separator: ' ', channels: [{ column: 1, unitColumn: 2, statusColumn: 3 }], status: { overload: ['OVER'], good: ['OK'] } }, ['N.m']],
  ['counter, two channels and status, decimal comma', { columns: ['counter', 'channel-1', 'channel-2', 'status'], separator: ';', decimalSign: ',', sign: 'always' },
    { separator: ';', decimal: 'comma', channels: [{ column: 2, statusColumn: 4 }, { column: 3, statusColumn: 4 }], status: { overload: ['OVER'], good: ['OK'] } }, [null, null]],
  ['time and value with commas', { columns: ['millis', 'channel-1'], separator: ',', delimiter: '\n' }, { separator: ',', channels: [{ column: 2 }] }, [null]],
  ['decimal comma alone, right-aligned, ended by a carriage return', { columns: ['channel-1'], decimalSign: ',', width: 12, delimiter: '\r' }, { delimiter: '\r', decimal: 'comma' }, [null]],
  ['a tab, two channels and a foot-pound unit', { columns: ['channel-1', 'channel-2', 'unit'], separator: '\t', unitText: 'lbf-ft' },
    { separator: '\t', channels: [{ column: 1, unitColumn: 3 }, { column: 2, unitColumn: 3 }] }, ['[lbf_av].[ft_i]', '[lbf_av].[ft_i]']],
  ['a prefix', { columns: ['channel-1'], prefix: 'T=', sign: 'always' }, { pattern: '^T=\\s*(?<value>[+\\-]?[ \\d.,]*\\d)$' }, [null]],
  ['a unit behind the number', { columns: ['channel-1', 'unit'], separator: '', unitText: 'cNm' }, {}, ['cN.m']],
];

describe('analysis of lines', () => {
  it.each(FORMATS)('%s', (_, format, options, units) => {
    const analysis = asLines(heardText(simulated(format)));
    expect(analysis.options).toEqual(options);
    expect(analysis.units).toEqual(units);
    expect(analysis.sampleRateHz).toBe(RATE_HZ);
    expect(analysis.sureness).toBeGreaterThanOrEqual(0.7);
    expect(analysis).toMatchObject({ dataBits: 8, parity: 'none' });
    expect(analysis.doubts.some((doubt) => doubt.includes('do not name the unit'))).toBe(units.includes(null));
  });

  it.each(FORMATS)('makes settings that fit: %s', (_, format) => {
    const analysis = asLines(heardText(simulated(format)));
    const { yaml, settings } = proposedSettings({ kind: 'serial', path: '/dev/ttyUSB7' }, { analysis, baudRate: 9_600, identity: null });
    expect(parse(yaml)).toEqual(JSON.parse(JSON.stringify(settings)));
    const checked = parseSettings(stringify(filledIn(settings)), gatewayChecks);
    expect(checked.faults).toEqual([]);
    expect(checked.settings!.instruments[0]).toMatchObject({ enabled: false, link: { baudRate: 9_600 } });
  });

  it.each(FORMATS)('leaves nothing that looks real where only a person can know: %s', (_, format) => {
    const analysis = asLines(heardText(simulated(format)));
    const { yaml } = proposedSettings({ kind: 'serial', path: '/dev/ttyUSB7' }, { analysis, baudRate: 9_600, identity: null });
    const { faults } = parseSettings(yaml, gatewayChecks);
    const wanted = analysis.units.flatMap((unit, i) => [...(unit === null ? ['unit'] : []), 'transducer.serialNumber', 'transducer.capacity', 'capture.mode'].map((name) => `instruments[0].channels[${i}].${name}`));
    expect(faults.map((fault) => fault.path)).toEqual(wanted);
    for (const { line, message } of faults) {
      expect(yaml.split('\n')[line - 1]).toContain('<fill in the ');
      expect(message).toContain('still to be filled in');
    }
  });

  it.each(['even', 'odd'] as const)('tells 7 data bits with %s parity from the highest bit', (parity) => {
    const withParity = (text: string): Uint8Array => Uint8Array.from(text, (letter) => {
      const byte = letter.charCodeAt(0);
      const ones = byte.toString(2).replaceAll('0', '').length;
      return byte | ((ones % 2 === 1) === (parity === 'even') ? 0x80 : 0);
    });
    const analysis = asLines(heardText(simulated({ columns: ['channel-1', 'unit'], separator: ' ' }), withParity));
    expect(analysis).toMatchObject({ dataBits: 7, parity, units: ['N.m'] });
    expect(proposedSettings({ kind: 'serial', path: '/dev/ttyUSB7' }, { analysis, baudRate: 9_600, identity: null }).settings.instruments![0])
      .toMatchObject({ link: { dataBits: 7, parity } });
  });

  it('measures a slow device', () => {
    const heard = heardText(simulated({ columns: ['channel-1'] }, 40));
    const slow = { ...heard, arrivals: heard.arrivals.map(({ at, atMs }) => ({ at, atMs: atMs * 100 })) };
    const analysis = asLines(slow);
    expect(analysis.sampleRateHz).toBe(2);
    const { yaml } = proposedSettings({ kind: 'tcp', host: '127.0.0.1', port: 7001 }, { analysis, baudRate: null, identity: null });
    expect(yaml).toContain('sampleRateHz: 2\n');
  });

  it('takes the only status for that of the line, and says which words it leaves out', () => {
    const at = (status: string, more: string) => Array.from({ length: 60 }, (_, i) => `${(5 * Math.sin(i / 6)).toFixed(2)};${(3 * Math.cos(i / 9)).toFixed(2)};${status};${more}\r\n`);
    const analysis = asLines(heardText(at('OK', 'RUN')));
    expect(analysis.options['channels']).toEqual([{ column: 1 }, { column: 2, statusColumn: 3 }]);
    expect(analysis.doubts.join()).toContain('column 4 holds words that are left out (RUN)');
    const codec = new AsciiLinesCodec(AsciiLinesOptions.parse({ ...analysis.options, status: { good: ['OK'], overload: ['OVR'] } }));
    const seen: [number, number][] = [];
    const bytes = Buffer.from('13.00;2.00;OVR;RUN');
    codec.decode(bytes, Int32Array.of(0, bytes.length), 1, { value: (channel, _value, _unit, status) => seen.push([channel, status]), fault: () => {}, recognise: () => false });
    expect(seen).toEqual([[0, STATUS.overload], [1, STATUS.overload]]);
  });

  it('is less sure of few lines, of lines that never change and of whole numbers', () => {
    const full = asLines(heardText(simulated({ columns: ['channel-1'] }))).sureness;
    expect(asLines(heardText(simulated({ columns: ['channel-1'] }, 10))).sureness).toBeLessThan(full);
    expect(asLines(heardText(Array.from({ length: 100 }, () => '0.000\r\n'))).sureness).toBeLessThan(full);
    const whole = asLines(heardText(simulated({ columns: ['channel-1'], decimals: 0 })));
    expect(whole.sureness).toBeLessThan(full);
    expect(whole.doubts.join()).toContain('raw-counts');
  });
});

describe('what is not proposed', () => {
  const at = (data: Uint8Array): HeardBytes => ({ data, arrivals: [{ at: 0, atMs: 0 }, { at: Math.floor(data.length / 2), atMs: 1_000 }] });

  it('silence', () => {
    expect(analyse({ data: new Uint8Array(0), arrivals: [] }).kind).toBe('silence');
  });

  it('noise is unknown, for 60 seeds of bytes and of characters', () => {
    for (let seed = 1; seed <= 60; seed++) {
      const random = new SeededRandom(seed);
      const bytes = Uint8Array.from({ length: 2_000 }, () => Math.floor(random.next() * 256));
      expect(analyse(at(bytes)).kind, `seed ${seed}`).toBe('unknown');
      const letters = '0123456789.,;+- \r\nABNm';
      const text = Uint8Array.from({ length: 2_000 }, () => letters.charCodeAt(Math.floor(random.next() * letters.length)));
      expect(analyse(at(text)).kind, `letters of seed ${seed}`).toBe('unknown');
    }
  });

  it('text without torque', () => {
    const analysis = analyse(heardText(Array.from({ length: 50 }, (_, i) => (i % 2 === 0 ? 'self test passed\r\n' : 'waiting for the operator\r\n'))));
    expect(analysis).toMatchObject({ kind: 'unknown' });
  });

  it('one byte again and again', () => {
    expect(analyse(at(new Uint8Array(500)))).toMatchObject({ kind: 'unknown', reasons: [expect.stringContaining('0x00')] });
  });

  it('binary frames: the length that repeats and the bytes that stay', () => {
    const random = new SeededRandom(5);
    const frames = Array.from({ length: 100 }, () => [0xaa, 0x55, ...Array.from({ length: 7 }, () => Math.floor(random.next() * 256))]).flat();
    const analysis = analyse(at(Uint8Array.from(frames.slice(4))));
    expect(analysis).toMatchObject({ kind: 'binary', frameBytes: 9, constantBytes: [{ offset: 5, value: 0xaa }, { offset: 6, value: 0x55 }] });
    expect(analysis.reasons.join()).toContain('cannot be told');
  });
});
