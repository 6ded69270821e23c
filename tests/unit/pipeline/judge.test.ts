import { describe, expect, it } from 'vitest';
import { isPast, judge, verdictOf } from '../../../daemon/pipeline/judge.ts';
import { Limits } from '../../../shared/capture-settings.ts';
import { FLAG_MEANINGS, Reading } from '../../../shared/reading.ts';
import type { Evidence, Trace } from '../../../shared/trace.ts';
import { convertTorque } from '../../../shared/units.ts';
import { CLICK, captured, engine, feed } from '../capture/shapes.ts';

const [made] = captured(feed(engine({ mode: 'first-peak', unit: '[lbf_av].[ft_i]', limits: { kind: 'percent', target: 30, minus: 4, plus: 4 } }), CLICK));
const OPTIONS = { source: null, keepsTrace: true, idOf: () => 'id-1' };

function withTransducer(transducer: Partial<Evidence['transducer']>, more: Partial<Evidence> = {}): Omit<Trace, 'id'> {
  const { evidence } = made!.trace;
  return { ...made!.trace, evidence: { ...evidence, ...more, transducer: { ...evidence.transducer, ...transducer } } };
}

describe('verdict', () => {
  const absolute = Limits.parse({ kind: 'absolute', target: 50, low: 48, high: 52 });

  it.each([[47.999999, 'low'], [48, 'within'], [50, 'within'], [52, 'within'], [52.0000001, 'high'], [0, 'low']] as const)('%d against 48 to 52 is %s', (value, verdict) => {
    expect(verdictOf(absolute, value)).toBe(verdict);
  });

  it('does not stumble over the last bit of a double: a limit reached is within', () => {
    const percent = Limits.parse({ kind: 'percent', target: 100, minus: 43, plus: 10 });
    expect(100 * (1 - 43 / 100)).toBeGreaterThan(57);
    expect(verdictOf(percent, 57)).toBe('within');
    const unit = '[lbf_av].[in_i]';
    for (let tenths = 1; tenths < 2000; tenths++) {
      const value = tenths / 10;
      const there = convertTorque(convertTorque(value, unit, 'N.m'), 'N.m', unit);
      expect(verdictOf({ kind: 'absolute', target: value, low: value, high: value }, there)).toBe('within');
    }
  });

  it('counts only in the direction of the cycle', () => {
    const capture = { ...made!.capture, direction: 'ccw' as const, value: 40 };
    expect(judge(capture, made!.trace, OPTIONS).reading.verdict).toBe('low');
  });

  it('without limits is none', () => {
    expect(verdictOf({ kind: 'none' }, 50)).toBe('none');
  });

  it('takes per cent of the target', () => {
    const percent = Limits.parse({ kind: 'percent', target: 50, minus: 4, plus: 6 });
    expect(verdictOf(percent, 47.9)).toBe('low');
    expect(verdictOf(percent, 48)).toBe('within');
    expect(verdictOf(percent, 53)).toBe('within');
    expect(verdictOf(percent, 53.1)).toBe('high');
  });

  it('refuses limits that do not enclose their target', () => {
    expect(Limits.safeParse({ kind: 'absolute', target: 50, low: 51, high: 52 }).success).toBe(false);
  });
});

describe('a table of calibration points', () => {
  /** The click lies at 40 N.m, the highest torque at 48. @param more of the conditioning */
  const flags = (points: readonly (readonly [number, number])[], more: Partial<Evidence['conditioning']> = {}): readonly string[] => judge(made!.capture, withTransducer({}, {
    conditioning: { ...made!.trace.evidence.conditioning, calibration: { kind: 'points', points }, ...more },
  }), OPTIONS).reading.flags;

  it('that is left during the cycle gives the flag beyond-calibration, up or down', () => {
    expect(flags([[0, 0], [60, 60]])).not.toContain('beyond-calibration');
    expect(flags([[0, 0], [48, 48]])).not.toContain('beyond-calibration');
    expect(flags([[0, 0], [47.9, 47.9]])).toContain('beyond-calibration');
    expect(flags([[0, 0], [39, 39]])).toContain('beyond-calibration');
    expect(flags([[41, 41], [60, 60]])).toContain('beyond-calibration');
  });

  it('is about what the table gave, before sense and zero', () => {
    expect(flags([[0, 0], [50, 50]], { zero: 1 })).not.toContain('beyond-calibration');
    expect(flags([[0, 0], [50, 50]], { zero: 3 })).toContain('beyond-calibration');
    expect(flags([[0, 0], [50, 50]], { sign: -1 })).toContain('beyond-calibration');
    expect(flags([[-50, -50], [0, 0]], { sign: -1 })).not.toContain('beyond-calibration');
    expect(flags([[0, 50], [50, 0]])).not.toContain('beyond-calibration');
  });
});

describe('a judged reading', () => {
  it('fits the wire schema and is in the unit of its settings', () => {
    const { reading } = judge(made!.capture, made!.trace, OPTIONS);
    expect(Reading.parse(reading)).toEqual(reading);
    expect(reading.value).toBeCloseTo(convertTorque(40, 'N.m', '[lbf_av].[ft_i]'), 12);
    expect(reading).toMatchObject({ unit: '[lbf_av].[ft_i]', click: true, target: 30, low: 28.799999999999997, high: 31.200000000000003, verdict: 'within', traceId: 'id-1', uncertainty: null });
  });

  it('judges counter-clockwise on the magnitude and keeps the sign', () => {
    const [ccw] = captured(feed(engine({ mode: 'peak', limits: { kind: 'absolute', target: 48, low: 47, high: 49 } }), CLICK.map((value) => -value)));
    expect(judge(ccw!.capture, ccw!.trace, OPTIONS).reading).toMatchObject({ value: -48, direction: 'ccw', verdict: 'within' });
  });

  it('carries the calibration uncertainty of its value', () => {
    const { reading } = judge(made!.capture, withTransducer({ uncertainty: { percent: 0.5, k: 2 } }), OPTIONS);
    expect(reading.uncertainty!.expanded).toBeCloseTo(reading.value * 0.005, 12);
    expect(reading.uncertainty!.k).toBe(2);
  });

  it('is flagged past the due date, below the range, with estimated times and when simulated', () => {
    const flags = (trace: Omit<Trace, 'id'>): string[] => judge(made!.capture, trace, OPTIONS).reading.flags;
    expect(flags(withTransducer({ calibrationDue: '1969-12-31' }))).toEqual(['calibration-overdue']);
    expect(flags(withTransducer({ calibrationDue: '1970-01-01' }))).toEqual([]);
    expect(flags(withTransducer({ lowestTorque: 41 }))).toEqual(['below-range']);
    expect(flags(withTransducer({}, { timeEstimated: true, simulated: true }))).toEqual(['time-estimated', 'simulated']);
    for (const flag of flags(withTransducer({ lowestTorque: 41 }))) expect(FLAG_MEANINGS).toHaveProperty(flag);
  });

  it('is overdue from the day after the due day', () => {
    expect(isPast('2026-11-25', Date.UTC(2026, 10, 25, 23, 59))).toBe(false);
    expect(isPast('2026-11-25', Date.UTC(2026, 10, 26))).toBe(true);
  });
});
