import { describe, expect, it } from 'vitest';
import { unitFault } from '../../../daemon/devices/unit-guard.ts';
import { ChannelSettings } from '../../../daemon/settings/schema.ts';
import type { DriverEvent } from '../../../drivers/api.ts';

const FT_LB = '[lbf_av].[ft_i]';
const channel = (more: object = {}): ChannelSettings => ChannelSettings.parse({
  transducer: { serialNumber: 'HF-T-0060 (invented)', capacity: 60, bridge: { ratedTorque: 60, sensitivity: 2 } }, capture: { mode: 'peak' }, ...more,
});
const values = (unit: string | null, of = 0): DriverEvent => ({ kind: 'values', channel: of, values: Float64Array.of(50), unit, status: null, atMs: 0 });
const code = (settings: object, unit: string | null): string | null => unitFault(values(unit), [channel(settings)], '/dev/made-up')?.code ?? null;

describe('the unit of what a device sends', () => {
  it.each([
    ['a unit that is not named is the channel\'s', {}, null, null],
    ['the channel\'s unit', { unit: FT_LB }, FT_LB, null],
    ['another name of the channel\'s unit', { unit: 'cN.m' }, 'N.cm', null],
    ['another unit', {}, FT_LB, 'UNIT_REFUSED'],
    ['a thousandth of the unit', {}, 'mN.m', 'UNIT_REFUSED'],
    ['the unit that deviceUnit says', { deviceUnit: FT_LB }, FT_LB, null],
    ['no unit, which is then that of deviceUnit', { deviceUnit: FT_LB }, null, null],
    ['the channel\'s unit where deviceUnit is another', { deviceUnit: FT_LB }, 'N.m', 'UNIT_REFUSED'],
    ['any unit where it is to be named', { deviceUnit: 'named' }, FT_LB, null],
    ['none where it is to be named', { deviceUnit: 'named' }, null, 'UNIT_REFUSED'],
    ['a torque where the settings say mV/V', { signal: { kind: 'mV/V' } }, 'N.m', 'UNIT_REFUSED'],
    ['a signal where the settings say so', { signal: { kind: 'mV/V' } }, null, null],
    ['a unit that no table knows', { deviceUnit: 'named' }, 'furlong', 'DRIVER_FAILED'],
  ])('%s', (_, settings, unit, expected) => {
    expect(code(settings, unit)).toBe(expected);
  });

  it('is told with what came, what is set, which channel and what to do', () => {
    const fault = unitFault(values(FT_LB, 1), [channel(), channel({ unit: 'cN.m' })], '/dev/made-up')!;
    expect(fault.message).toBe(`the device names the unit ${FT_LB}, but the channel is set to cN.m; nothing of it is used`);
    expect(fault).toMatchObject({ where: '/dev/made-up, channel 2', hint: expect.stringContaining('deviceUnit') as string, facts: { retry: 'never', exit: 65 } });
  });

  it('is no matter of faults', () => {
    expect(unitFault({ kind: 'fault', channel: null, missing: 1, atMs: 0, error: unitFault(values(FT_LB), [channel()], 'x')! }, [channel()], 'x')).toBeNull();
  });
});
