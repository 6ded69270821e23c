import { describe, expect, it } from 'vitest';
import { rederive } from '../../../daemon/capture/rederive.ts';
import nist from '../../vectors/nist-strd.json' with { type: 'json' };
import { CLICK, SMOOTH, block, captured, engine, feed, lines } from './shapes.ts';

const SETTINGS = [
  { mode: 'peak' }, { mode: 'first-peak' }, { mode: 'track' },
  { mode: 'first-peak', filter: { kind: 'butterworth', order: 2, cutoffHz: 120 } },
  { mode: 'peak', filter: { kind: 'cfc', class: 60 }, unit: '[lbf_av].[ft_i]' },
] as const;

describe('a reading derived again from its trace', () => {
  it.each(SETTINGS)('is the same, bit for bit: %o', (settings) => {
    const noisy = [...lines([0, 0.03], [400, 0.03]), ...CLICK, ...SMOOTH.map((value) => -value), ...lines([0, 0], [300, 0], [900, 20], [3000, 20], [3200, 0], [3500, 0])]
      .map((value, i) => value + 0.013 * Math.sin(i * 12.9898));
    const readings = captured(feed(engine(settings), noisy, [77, 1, 300]));
    expect(readings.length).toBeGreaterThanOrEqual(settings.mode === 'track' ? 1 : 3);
    for (const { capture, trace } of readings) expect(rederive(trace)).toEqual(capture);
  });

  it('is the same when the zero moved within the trace', () => {
    const subject = engine();
    const conditioning = { unit: 'N.m', calibration: { kind: 'none' }, zero: 0.5, sign: 1 } as const;
    subject.step(block(SMOOTH.slice(0, 540), 0));
    const device = Float64Array.from(SMOOTH.slice(540));
    const [only] = captured(subject.step(block(SMOOTH.slice(540), 540, { conditioning, device, torque: device.map((value) => value - 0.5) })));
    expect(rederive(only!.trace)).toEqual(only!.capture);
    expect(only!.trace.evidence.conditioning.zero).toBe(0);
  });

  it('shows what other settings would have given', () => {
    const [only] = captured(feed(engine({ mode: 'peak' }), CLICK));
    expect(only!.capture.value).toBe(48);
    expect(rederive(only!.trace, { ...only!.trace.evidence.settings, mode: 'first-peak' })).toMatchObject({ value: 40, maximum: 48, click: true });
    expect(() => rederive(only!.trace, { ...only!.trace.evidence.settings, filter: { kind: 'butterworth', order: 2, cutoffHz: 450 } })).toThrow(/450 Hz/);
  });
});

// Certified means of the NIST Statistical Reference Datasets, univariate summary statistics.
describe('the mean of a track reading', () => {
  const sets = Object.entries(nist.sets).flatMap(([name, set]) => ('data' in set && Array.isArray(set.data) ? [[name, set.data.map(Number), Number(set.certified_mean)] as const] : []));

  it.each(sets)('of %s agrees with the certified value to 13 digits', (_name, data, certified) => {
    const subject = engine({ mode: 'track', track: { averageMs: data.length, stableMs: null } });
    subject.step(block(data, 0));
    const taken = subject.latch();
    const value = taken?.kind === 'captured' ? taken.capture.value : Number.NaN;
    expect(Math.abs(value / certified - 1)).toBeLessThan(1e-13);
  });

  it('was compared with at least four sets', () => {
    expect(sets.length).toBeGreaterThanOrEqual(4);
  });
});
