/** Whether a channel may have a `deviceUnit`. Pure. */
import type { ChannelSettings } from './schema.ts';

/** What is wrong with `deviceUnit`, or null. */
export function deviceUnitFault({ signal, deviceUnit }: ChannelSettings): string | null {
  if (signal.kind === 'torque' || deviceUnit === undefined) return null;
  return `is ${deviceUnit}, but the device sends ${signal.kind}, which the bridge turns into the unit of the channel; allowed is nothing here`;
}
