import type { DriverDefinition } from '../../drivers/api.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { driverRate } from '../settings/driver-rate.ts';
import { firstLine } from '../settings/explain-issue.ts';
import type { InstrumentSettings } from '../settings/schema.ts';

/** The driver options of an instrument, checked; or the fault that a person must correct (`driver` may be that fault already). */
export function readDriverSettings(
  settings: InstrumentSettings,
  driver: DriverDefinition | TorsiondError | null,
): { readonly options: unknown; readonly fault: TorsiondError | null } {
  if (driver instanceof TorsiondError) return { options: null, fault: driver };
  if (driver === null) {
    return { options: null, fault: new TorsiondError('DRIVER_UNKNOWN', `there is no driver "${settings.driver.id}"`, { where: settings.id }) };
  }
  try {
    const parsed = driver.optionsSchema.safeParse(settings.driver.options);
    if (!parsed.success) {
      const issue = parsed.error.issues[0]!;
      const where = [settings.id, 'driver', 'options', ...issue.path.map(String)].join('.');
      return { options: null, fault: new TorsiondError('SETTINGS_INVALID', issue.message, { where }) };
    }
    const described = driver.channelCount(parsed.data);
    if (described === settings.channels.length) return { options: parsed.data, fault: null };
    const what = `the driver options describe ${described} channels, the settings list ${settings.channels.length}`;
    return { options: null, fault: new TorsiondError('SETTINGS_INVALID', what, { where: `${settings.id}.channels` }) };
  } catch (thrown) {
    const what = `the driver ${driver.id} fails while its options are checked: ${firstLine(thrown)}`;
    return { options: null, fault: new TorsiondError('DRIVER_FAILED', what, { where: settings.id, cause: thrown }) };
  }
}

/** Rate of each channel, S/s: as its settings declare it, else as the driver makes it; null: to be measured. `options` are checked. */
export function declaredRates(settings: InstrumentSettings, driver: DriverDefinition | null, options: unknown): readonly (number | null)[] {
  const madeHz = driverRate(driver, options);
  return settings.channels.map((channel) => channel.sampleRateHz ?? madeHz);
}
