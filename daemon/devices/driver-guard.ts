/** Holds a driver to its contract (`drivers/api.ts`), so that what is broken in a driver stays there. */
import type { DriverEvent } from '../../drivers/api.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { LARGEST_VALUE } from '../../shared/sample-block.ts';

/** @returns what the event breaks, or null. `lastAtMs`: arrival of the event before. */
export function eventFault(event: DriverEvent, channelCount: number, lastAtMs: number, where: string): TorsiondError | null {
  const broken = (what: string): TorsiondError => new TorsiondError('DRIVER_FAILED', `the driver ${what}`, { where });
  if (!Number.isFinite(event.atMs)) return broken('gave an arrival time that is not a number');
  if (event.atMs < lastAtMs) return broken('gave an arrival time that goes back');
  const isChannel = (channel: number): boolean => Number.isInteger(channel) && channel >= 0 && channel < channelCount;
  if (event.kind === 'fault') {
    if (!(event.error instanceof TorsiondError)) return broken('reported a fault without a code');
    if (event.channel !== null && !isChannel(event.channel)) return broken(`reported a fault of channel ${event.channel}, which does not exist`);
    return Number.isSafeInteger(event.missing) && event.missing >= 0 ? null : broken('reported a number of missing samples that is not a count');
  }
  if (event.kind !== 'values') return broken('sent an event of an unknown kind');
  if (!isChannel(event.channel)) return broken(`sent values of channel ${event.channel}, which does not exist`);
  if (!(event.values instanceof Float64Array)) return broken('sent values that are no Float64Array');
  if (event.status !== null && event.status.length !== event.values.length) return broken('sent a status that does not match its values');
  return areTorques(event.values) ? null : broken('sent a value that no torque can have');
}

/** A loop: this is done for every sample, and `every` costs as much as the rest of the guard. */
function areTorques(values: Float64Array): boolean {
  for (let i = 0; i < values.length; i++) if (!(Math.abs(values[i]!) <= LARGEST_VALUE)) return false;
  return true;
}
