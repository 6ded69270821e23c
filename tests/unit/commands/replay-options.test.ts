import { describe, expect, it } from 'vitest';
import { adaptChannel, traceChannel, type ReplayFlags } from '../../../daemon/commands/replay-options.ts';
import { ChannelSettings } from '../../../daemon/settings/schema.ts';

const flags = (given: Partial<ReplayFlags> = {}): ReplayFlags => ({
  capacity: 60, speed: 'max', timeColumn: 'time_s', torqueColumn: 'torque_Nm', traceUnit: 'N.m', block: 256, ...given,
});
const recorded = (capture: object, extra: object = {}): ChannelSettings =>
  ChannelSettings.parse({ transducer: { serialNumber: 'HF-T-0060', capacity: 60 }, capture: { mode: 'peak', ...capture }, ...extra });

describe('what is asked of a replay', () => {
  it('of a plain trace takes the torque as it stands in the file', () => {
    const channel = traceChannel(flags());
    expect(channel).toMatchObject({ unit: 'N.m', sign: 1, zero: { kind: 'fixed', offset: 0 }, transducer: { capacity: 60, calibration: { curve: { kind: 'none' } } } });
    expect(channel.capture).toMatchObject({ mode: 'peak', unit: 'N.m', filter: { kind: 'none' }, limits: { kind: 'none' }, direction: 'both', holdMs: 0 });
  });

  it('counts torques in the unit that is named', () => {
    const channel = traceChannel(flags({ unit: 'cN.m', capacity: 500, target: 320, low: 290, high: 350 }));
    expect(channel).toMatchObject({ unit: 'cN.m', transducer: { capacity: 500 } });
    expect(channel.capture).toMatchObject({ unit: 'cN.m', limits: { kind: 'absolute', target: 320, low: 290, high: 350 } });
  });

  it('makes the low-pass that was asked for', () => {
    expect(traceChannel(flags({ cutoff: 500 })).capture.filter).toEqual({ kind: 'butterworth', order: 2, cutoffHz: 500 });
    expect(traceChannel(flags({ cutoff: 500, order: '4' })).capture.filter).toEqual({ kind: 'butterworth', order: 4, cutoffHz: 500 });
    expect(traceChannel(flags({ cfc: '600' })).capture.filter).toEqual({ kind: 'cfc', class: 600 });
  });

  it.each([
    ['two low-passes', { cutoff: 500, cfc: '600' as const }],
    ['an order without a low-pass', { order: '2' as const }],
    ['a target without limits', { target: 50 }],
    ['limits without a target', { low: 48, high: 52 }],
    ['limits that do not hold the target', { target: 50, low: 51, high: 52 }],
  ])('refuses %s', (_what, given) => {
    expect(() => traceChannel(flags(given))).toThrow(expect.objectContaining({ code: 'USAGE' }));
  });

  it('leaves a recording as it was recorded, but for what is asked', () => {
    const channel = recorded({ mode: 'first-peak', limits: { kind: 'percent', target: 40, minus: 4, plus: 6 } });
    expect(adaptChannel(channel, { ...flags(), capacity: undefined } as unknown as ReplayFlags)).toEqual(channel);
    expect(adaptChannel(channel, flags({ mode: 'peak', direction: 'cw' })).capture).toEqual({ ...channel.capture, mode: 'peak', direction: 'cw' });
  });

  it('converts the limits of a recording when another unit is asked for', () => {
    const channel = recorded({ limits: { kind: 'absolute', target: 5, low: 4, high: 6 } });
    expect(adaptChannel(channel, flags({ unit: 'cN.m', capacity: 6_000 })).capture.limits).toEqual({ kind: 'absolute', target: 500, low: 400, high: 600 });
    expect(adaptChannel(channel, flags({ unit: 'cN.m', capacity: 6_000 })).transducer.capacity).toBe(60);
  });

  it('takes limits in --unit, and without it in N.m, also for a recording whose channel has another unit', () => {
    const channel = recorded({ limits: { kind: 'absolute', target: 50, low: 48, high: 52 } }, { unit: '[lbf_av].[ft_i]' });
    const asked = { target: 67.79089741657002, low: 65, high: 70 };
    const { capture, transducer } = adaptChannel(channel, flags(asked));
    expect(capture).toMatchObject({ unit: '[lbf_av].[ft_i]', limits: { target: 50, low: 65 / 1.3558179483314003, high: 70 / 1.3558179483314003 } });
    expect(transducer.capacity).toBeCloseTo(60 / 1.3558179483314003, 9);
    expect(adaptChannel(channel, flags({ ...asked, unit: '[lbf_av].[ft_i]' }))).toMatchObject({ capture: { limits: { ...asked } }, transducer: { capacity: 60 } });
  });

  it('converts every torque of a recording when another unit is asked for, thresholds too', () => {
    const channel = recorded({ detector: { armTorque: 2, releaseTorque: 1, clickFloor: 6, releaseMs: 30 }, track: { stableBand: 0.5 } });
    expect(adaptChannel(channel, flags({ unit: 'cN.m' })).capture).toMatchObject({
      unit: 'cN.m', detector: { armTorque: 200, releaseTorque: 100, clickFloor: 600, releaseMs: 30 }, track: { averageMs: 100, stableMs: 1_000, stableBand: 50 },
    });
  });

  it('arms by itself where the recording was armed by hand', () => {
    expect(adaptChannel(recorded({ holdMs: null }), flags()).capture.holdMs).toBe(0);
    expect(adaptChannel(recorded({ holdMs: 1_500 }), flags()).capture.holdMs).toBe(1_500);
  });
});
