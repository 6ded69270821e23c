/** Refuses values in another unit than the settings say, before any of them counts. */
import type { DriverEvent } from '../../drivers/api.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { NAMED_UNIT, TORQUE_UNITS } from '../../shared/units.ts';
import type { ChannelSettings } from '../settings/schema.ts';

const SIZES: ReadonlyMap<string, number> = new Map(TORQUE_UNITS.map(({ ucum, newtonMetres }) => [ucum, newtonMetres]));

type UnitSettings = Pick<ChannelSettings, 'unit' | 'deviceUnit' | 'signal'>;

/** @returns why the values are not to be used, or null */
export function unitFault(event: DriverEvent, channels: readonly UnitSettings[], where: string): TorsiondError | null {
  if (event.kind !== 'values') return null;
  const channel = channels[event.channel]!;
  const refused = (what: string, hint?: string): TorsiondError => new TorsiondError('UNIT_REFUSED', what, {
    where: channels.length === 1 ? where : `${where}, channel ${event.channel + 1}`, ...(hint === undefined ? {} : { hint }),
  });
  const { unit } = event;
  const size = unit === null ? null : sizeOf(unit);
  if (size === undefined) return new TorsiondError('DRIVER_FAILED', `the driver named the unit "${unit}", which is the UCUM code of no torque unit`, { where });
  if (channel.signal.kind !== 'torque') {
    return unit === null ? null : refused(`the device names the unit ${unit}, but the settings say that it sends ${channel.signal.kind}`,
      'Set the device to the signal that the settings name, or take "signal" out of them.');
  }
  const { deviceUnit } = channel;
  if (deviceUnit === NAMED_UNIT) {
    return unit !== null ? null : refused('the device sends a value without a unit, but deviceUnit is named',
      'Let the device send its unit, or say in deviceUnit which one it is.');
  }
  const expected = deviceUnit ?? channel.unit;
  // N.cm and cN.m are one unit under two names.
  if (size === null || size === sizeOf(expected)) return null;
  const set = deviceUnit === undefined ? `the channel is set to ${expected}` : `deviceUnit is ${expected}`;
  return refused(`the device names the unit ${unit}, but ${set}; nothing of it is used`);
}

function sizeOf(unit: string): number | undefined {
  return SIZES.get(unit);
}
