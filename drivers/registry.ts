/** The drivers that come with the gateway. */
import { TorsiondError } from '../shared/errors.ts';
import { DRIVER_API_VERSION, type DriverDefinition } from './api.ts';
import { asciiLines } from './protocols/ascii-lines/driver.ts';
import { framedBinary } from './protocols/framed-binary/driver.ts';
import { modbusRtu, modbusTcp } from './protocols/modbus/driver.ts';
import { rawCounts } from './protocols/raw-counts/driver.ts';
import { scpi } from './protocols/scpi/driver.ts';

/** Options are checked by each driver's own schema, so here their type is not known. */
export const BUILT_IN_DRIVERS: readonly DriverDefinition[] = [asciiLines, framedBinary, rawCounts, scpi, modbusRtu, modbusTcp];

/** @throws TorsiondError DRIVER_UNKNOWN with the ids that exist; DRIVER_FAILED when it was made for another interface version */
export function findDriver(id: string, drivers: readonly DriverDefinition[] = BUILT_IN_DRIVERS): DriverDefinition {
  const found = drivers.find((driver) => driver.id === id);
  if (!found) throw new TorsiondError('DRIVER_UNKNOWN', `there is no driver "${id}"; known are ${drivers.map((driver) => driver.id).join(', ')}`, { where: id });
  if (found.apiVersion !== DRIVER_API_VERSION) {
    throw new TorsiondError('DRIVER_FAILED', `the driver "${id}" was made for version ${found.apiVersion} of the driver interface, this gateway has ${DRIVER_API_VERSION}`, {
      where: id, hint: 'Install a version of the driver that fits this gateway.',
    });
  }
  return found;
}
