/** A settings file of the real gateway, with the drivers that it lists. */
import { checksFor, type GatewayChecks } from './default-checks.ts';
import { parseSettings, readSettingsText, type ParsedSettings } from './load-settings.ts';
import type { Settings } from './schema.ts';
import { faultsAsError } from './settings-fault.ts';

export interface LoadedSettings {
  readonly settings: Settings;
  /** Find the drivers that the settings name. */
  readonly checks: GatewayChecks;
}

/** Settings or every fault. @throws TorsiondError INPUT_NOT_FOUND, INPUT_FORMAT */
export async function readSettings(file: string): Promise<{ readonly text: string; readonly parsed: ParsedSettings; readonly checks: GatewayChecks }> {
  const text = await readSettingsText(file);
  const checks = await checksFor(text, file);
  return { text, parsed: parseSettings(text, checks), checks };
}

/** @throws TorsiondError INPUT_NOT_FOUND, INPUT_FORMAT, or the first fault (SETTINGS_INVALID, DRIVER_LOAD, RATE_TOO_LOW …) with its line */
export async function loadSettings(file: string): Promise<LoadedSettings> {
  const { parsed: { settings, faults }, checks } = await readSettings(file);
  if (settings === null) throw faultsAsError(file, faults);
  return { settings, checks };
}
