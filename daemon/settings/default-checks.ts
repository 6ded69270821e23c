/** The checks of the real gateway: its drivers, those from outside included, and its capture rules. */
import { parse } from 'yaml';
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import { checkCapture } from '../capture/defaults.ts';
import type { OutsideDriver } from '../outside-drivers/load-drivers.ts';
import type { SettingsChecks } from './check-settings.ts';
import { MOST_LISTED_DRIVERS } from './schema.ts';

export interface GatewayChecks extends SettingsChecks {
  readonly outsideDrivers: readonly OutsideDriver[];
  /** Where a driver from outside comes from, for example `spoke-driver 1.2.0`; null for a built-in one. */
  driverOrigin(id: string): string | null;
}

/** With the drivers that come with the gateway, and no others. */
export const gatewayChecks: GatewayChecks = withDrivers([], []);

/**
 * With the drivers that the settings list as well; these are loaded, which runs their code.
 * @param text of the settings file, with or without faults
 * @param file from whose folder paths and packages are looked for
 */
export async function checksFor(text: string, file: string): Promise<GatewayChecks> {
  const list = listedDrivers(text);
  if (list.length === 0) return gatewayChecks;
  const { loadOutsideDrivers } = await import('../outside-drivers/load-drivers.ts');
  const { drivers, faults } = await loadOutsideDrivers(list, file, systemClock);
  return withDrivers(drivers, faults.map(({ index, message }) => ({ code: 'DRIVER_LOAD', path: ['drivers', index], concernsKey: false, message })));
}

function withDrivers(outsideDrivers: readonly OutsideDriver[], driverFaults: SettingsChecks['driverFaults']): GatewayChecks {
  const all = [...BUILT_IN_DRIVERS, ...outsideDrivers.map(({ definition }) => definition)];
  return {
    findDriver: (id) => all.find((driver) => driver.id === id),
    driverIds: () => all.map((driver) => driver.id),
    driverFaults, checkCapture, outsideDrivers,
    driverOrigin: (id) => outsideDrivers.find(({ definition }) => definition.id === id)?.origin ?? null,
  };
}

/** As far as it can be read: what is wrong with the text itself is told by `parseSettings`. */
function listedDrivers(text: string): readonly unknown[] {
  try {
    const settings = parse(text, { stringKeys: true, maxAliasCount: 100, logLevel: 'silent', uniqueKeys: false }) as { drivers?: unknown } | null;
    return Array.isArray(settings?.drivers) ? settings.drivers.slice(0, MOST_LISTED_DRIVERS) : [];
  } catch {
    return [];
  }
}
