/** The drivers that come with the gateway. */
import { TorsiondError } from '../shared/errors.ts';
import type { DriverDefinition } from './api.ts';
import { asciiLines } from './protocols/ascii-lines/driver.ts';
import { framedBinary } from './protocols/framed-binary/driver.ts';
import { modbusRtu, modbusTcp } from './protocols/modbus/driver.ts';
import { rawCounts } from './protocols/raw-counts/driver.ts';
import { scpi } from './protocols/scpi/driver.ts';

/** Options are checked by each driver's own schema, so here their type is not known. */
export const BUILT_IN_DRIVERS: readonly DriverDefinition[] = [asciiLines, framedBinary, rawCounts, scpi, modbusRtu, modbusTcp];

/** A built-in driver; those from outside are the gateway's to find. @throws TorsiondError DRIVER_UNKNOWN with the ids that exist */
export function findDriver(id: string): DriverDefinition {
  const found = BUILT_IN_DRIVERS.find((driver) => driver.id === id);
  if (!found) throw new TorsiondError('DRIVER_UNKNOWN', `there is no driver "${id}"; known are ${BUILT_IN_DRIVERS.map((driver) => driver.id).join(', ')}`, { where: id });
  return found;
}
