/** Whether the unit that a channel has, that its device sends and that its driver reports go together. Pure. */
import { NAMED_UNIT, TORQUE_UNITS } from '../../shared/units.ts';
import type { ChannelSettings } from './schema.ts';

/** What is wrong with `deviceUnit`, or null. */
export function deviceUnitFault({ signal, deviceUnit }: ChannelSettings): string | null {
  if (signal.kind === 'torque' || deviceUnit === undefined) return null;
  return `is ${deviceUnit}, but the device sends ${signal.kind}, which the bridge turns into the unit of the channel; allowed is nothing here`;
}

/** @param options of the driver, checked. @returns what is wrong with their `unit` for this channel, or null */
export function driverUnitFault(options: unknown, { unit, deviceUnit, signal }: ChannelSettings): string | null {
  const named = (options as { readonly unit?: unknown } | null)?.unit;
  const size = sizeOf(named);
  if (size === undefined || deviceUnit === NAMED_UNIT) return null;
  if (signal.kind !== 'torque') return `is ${String(named)}, but the channel says that the device sends ${signal.kind}; allowed is null`;
  if (size === sizeOf(deviceUnit ?? unit)) return null;
  const set = deviceUnit === undefined ? `the unit of the channel is ${unit}` : `its deviceUnit is ${deviceUnit}`;
  return `is ${String(named)}, but ${set}, and every value would be refused; allowed is the same unit, or null`;
}

function sizeOf(unit: unknown): number | undefined {
  return TORQUE_UNITS.find(({ ucum }) => ucum === unit)?.newtonMetres;
}
