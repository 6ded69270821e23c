/** The checks of the real gateway: its drivers and its capture rules. */
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';
import { checkCapture } from '../capture/defaults.ts';
import type { SettingsChecks } from './check-settings.ts';

export const gatewayChecks: SettingsChecks = {
  findDriver: (id) => BUILT_IN_DRIVERS.find((driver) => driver.id === id),
  driverIds: () => BUILT_IN_DRIVERS.map((driver) => driver.id),
  checkCapture,
};
