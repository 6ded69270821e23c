/** Frames of the simulator's own writer, and bytes that are none: what is proven, what is only guessed, what is not proposed. */
import { describe, expect, it } from 'vitest';
import { stringify } from 'yaml';
import { analyse } from '../../../daemon/probe/analyse.ts';
import { rtuAnswer, tcpAnswer } from '../../../daemon/probe/ask-modbus.ts';
import type { FramesAnalysis, HeardBytes } from '../../../daemon/probe/heard.ts';
import { proposedSettings } from '../../../daemon/probe/settings-entry.ts';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { filledIn } from '../../helpers/fill-in.ts';
import { FrameFormat, framePlaces, frameWriter } from '../../../simulator/instruments/frame-format.ts';
import { SeededRandom } from '../../../simulator/random.ts';

const RATE_HZ = 500;

function heardFrames(format: object, channels = 1, count = 400): { heard: HeardBytes; format: FrameFormat } {
  const parsed = FrameFormat.parse(format);
  const write = frameWriter(parsed, channels);
  const random = new SeededRandom(4);
  const frames = Array.from({ length: count }, (_, i) => {
    const values = Float64Array.from({ length: channels }, (_unused, c) => 20 * Math.sin(i / 50 + c) + 0.02 * random.normal());
    return write(values, { counter: i + 250, isOverloaded: false, channel: 0 });
  });
  const arrivals: { at: number; atMs: number }[] = [];
  let at = 0;
  frames.forEach((frame, i) => {
    if (i % 5 === 0) arrivals.push({ at, atMs: 1_000 + (i * 1_000) / RATE_HZ });
    at += frame.length;
  });
  // Listening begins in the midst of a frame.
  return { heard: { data: Uint8Array.from(Buffer.concat(frames)).slice(3), arrivals }, format: parsed };
}

function asFrames(heard: HeardBytes): FramesAnalysis {
  const analysis = analyse(heard);
  expect(analysis, JSON.stringify(analysis)).toMatchObject({ kind: 'frames' });
  return analysis as FramesAnalysis;
}

describe('frames with a checksum', () => {
  it.each([
    ['sync bytes, 24 bits', {}, 1], ['big-endian, two channels of 16 bits', { byteOrder: 'big', type: 'i16', scale: 0.001 }, 2], ['32 bits without counter', { type: 'i32', counter: null }, 1],
    ['floats', { type: 'f32', checksum: 'CRC-32/ISO-HDLC' }, 3], ['doubles by COBS', { framing: 'cobs', type: 'f64', counter: 'u16' }, 1],
    ['SLIP, four channels', { framing: 'slip', type: 'i24', checksum: 'CRC-16/XMODEM', byteOrder: 'big' }, 4], ['another sync, one byte of CRC', { sync: '7e', checksum: 'CRC-8/SMBUS' }, 1],
  ] as const)('are read: %s', (_, given, channels) => {
    const { heard, format } = heardFrames(given, channels);
    const analysis = asFrames(heard);
    const places = framePlaces(format, channels);
    expect(analysis.options).toMatchObject({
      framing: format.framing === 'sync' ? { kind: 'sync', bytes: format.sync, length: places.length } : { kind: format.framing, maxBytes: places.length },
      byteOrder: format.byteOrder, checksum: { name: format.checksum },
      channels: Array.from({ length: channels }, (_unused, i) => ({ at: places.valuesAt + i * places.valueBytes, type: format.type })),
      ...(format.counter === null ? {} : { counter: { at: places.counterAt } }),
    });
    expect(analysis.sampleRateHz).toBe(RATE_HZ);
    expect(analysis.doubts.join()).toContain('a guess from how they move');
    const { settings } = proposedSettings({ kind: 'serial', path: '/dev/ttyUSB7' }, { analysis, baudRate: 9_600, identity: null });
    expect(parseSettings(stringify(filledIn(settings)), gatewayChecks).faults).toEqual([]);
    // What a step of a whole number is, and everything else that is not in the bytes, nobody is told by a guess.
    const proposed = settings.instruments![0] as { driver: { options: { channels: { type: string; scale?: unknown }[] } } };
    for (const { type, scale } of proposed.driver.options.channels) expect(scale).toEqual(type.startsWith('f') ? undefined : expect.stringContaining('<fill in '));
  });
});

describe('frames without a known checksum', () => {
  it('are proposed by their counter, less sure, and with the doubt where a frame begins', () => {
    const { heard } = heardFrames({ checksum: null });
    const analysis = asFrames(heard);
    expect(analysis.options).toMatchObject({ framing: { kind: 'sync', bytes: 'a5 5a', length: 6 }, counter: { at: 2, type: 'u8' } });
    expect(analysis.options).not.toHaveProperty('checksum');
    expect(analysis.sureness).toBeLessThan(0.7);
    expect(analysis.doubts.join()).toContain('where a frame begins is a guess');
  });

  it('and without a counter are a length that repeats, and nothing is proposed', () => {
    expect(analyse(heardFrames({ checksum: null, counter: null }).heard)).toMatchObject({ kind: 'binary', frameBytes: 5 });
  });

  it('that are always the same prove nothing', () => {
    const data = Uint8Array.from({ length: 800 }, (_, i) => [0xa5, 0x5a, 0x01, 0x02, 0x03, 0x04, 0xf0, 0x99][i % 8]!);
    expect(analyse({ data, arrivals: [{ at: 0, atMs: 0 }] }).kind).not.toBe('frames');
  });

  it('with one checksum in ten wrong are not proposed by it', () => {
    const { heard } = heardFrames({ counter: null });
    const data = heard.data.slice();
    for (let at = 40; at < data.length; at += 70) data[at] = data[at]! ^ 0xff;
    expect(analyse({ ...heard, data }).kind).not.toBe('frames');
  });
});

it('noise is never taken for frames, for 200 seeds', () => {
  for (let seed = 1; seed <= 200; seed++) {
    const random = new SeededRandom(seed);
    const data = Uint8Array.from({ length: 3_000 }, () => Math.floor(random.next() * 256));
    expect(analyse({ data, arrivals: [{ at: 0, atMs: 0 }] }).kind, `seed ${seed}`).toBe('unknown');
  }
});

describe('codes', () => {
  const heard = (texts: readonly (readonly [number, string])[]): HeardBytes => {
    let at = 0;
    const arrivals = texts.map(([atMs, text]) => {
      at += text.length;
      return { at: at - text.length, atMs };
    });
    return { data: new TextEncoder().encode(texts.map(([, text]) => text).join('')), arrivals, beganMs: 0 };
  };

  it('are proposed as a scanner, surer the more came, with the ending that they have', () => {
    expect(analyse(heard([[900, 'HF-W-1\r']]))).toMatchObject({ kind: 'codes', sureness: 0.5, delimiter: '\r', example: 'HF-W-1' });
    expect(analyse(heard([[900, 'HF-W-1\n'], [1_900, '4006381333931\n'], [2_900, 'HF-W-2\n']]))).toMatchObject({ kind: 'codes', sureness: 0.75, delimiter: '\n' });
    const analysis = analyse(heard([[900, 'A1\r\n'], [1_400, 'A1\r\n']]));
    expect(analysis).toMatchObject({ kind: 'codes', sureness: 0.6, delimiter: '\r' });
    if (analysis.kind !== 'codes') return;
    const { yaml } = proposedSettings({ kind: 'serial', path: '/dev/ttyUSB7' }, { analysis, baudRate: 9_600, identity: null });
    const { settings, faults } = parseSettings(yaml, gatewayChecks);
    expect(faults).toEqual([]);
    expect(settings!.scanners).toMatchObject([{ enabled: false, link: { baudRate: 9_600 } }]);
  });

  it.each([
    ['a torque that comes now and then', [[900, '12.34 Nm\r\n'], [1_900, '12.36 Nm\r\n']]],
    ['a whole number that may be one', [[900, '1234\r\n'], [1_900, '1240\r\n']]],
    ['lines one right after the other', [[900, 'AB\r\nCD\r\nEF\r\n']]],
    ['a text without an end', [[900, 'HF-W-1']]],
    ['bytes that are no text', [[900, 'HF\u0001W\r']]],
  ] as const)('are not seen in %s', (_, texts) => {
    expect(analyse(heard(texts)).kind).toBe('unknown');
  });
});

describe('answers in Modbus', () => {
  // MODBUS over serial line and Application Protocol V1.1b3: unit 1, function 3, exception 2; CRC low byte first.
  it('count with a right CRC, from the unit and for the function that was asked, also behind an echo', () => {
    const exception = [0x01, 0x83, 0x02, 0xc0, 0xf1];
    expect(rtuAnswer(Uint8Array.from(exception), 1, 3)).toBe(2);
    expect(rtuAnswer(Uint8Array.of(0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0a, ...exception), 1, 3)).toBe(2);
    expect(rtuAnswer(Uint8Array.from(exception), 2, 3)).toBe('none');
    expect(rtuAnswer(Uint8Array.from(exception), 1, 4)).toBe('none');
    expect(rtuAnswer(Uint8Array.of(0x01, 0x83, 0x02, 0xc0, 0xf0), 1, 3)).toBe('none');
    // The question alone, sent back by an adapter, is no answer.
    expect(rtuAnswer(Uint8Array.of(0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0a), 1, 3)).toBe('none');
    expect(rtuAnswer(Uint8Array.of(0x01, 0x03, 0x02, 0x00, 0x0a, 0x38, 0x43), 1, 3)).toBeNull();
  });

  it('over TCP bear the number of their question and protocol 0', () => {
    expect(tcpAnswer(Uint8Array.of(3, 2, 0, 0, 0, 3, 1, 0x83, 2), 0x0302, 1, 3)).toBe(2);
    expect(tcpAnswer(Uint8Array.of(3, 2, 0, 0, 0, 5, 1, 3, 2, 0, 7), 0x0302, 1, 3)).toBeNull();
    expect(tcpAnswer(Uint8Array.of(3, 3, 0, 0, 0, 3, 1, 0x83, 2), 0x0302, 1, 3)).toBe('none');
    expect(tcpAnswer(new TextEncoder().encode('HTTP/1.1 400 Bad Request'), 0x0302, 1, 3)).toBe('none');
  });
});
