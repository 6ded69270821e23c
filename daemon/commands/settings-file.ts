/** Which settings a command works with. */
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { defaultSettings } from '../settings/load-settings.ts';
import type { LoadedSettings } from '../settings/read-settings.ts';
import type { CommandContext } from './context.ts';
import { dataDirectory } from './options.ts';

export const SETTINGS_NAME = 'torsiond.yaml';

/** The file that holds: --config, else torsiond.yaml in the data directory when there is one; null: all defaults. */
export function settingsFile(options: { readonly config?: string; readonly data?: string }, context: CommandContext): string | null {
  if (options.config !== undefined) return options.config;
  const file = join(dataDirectory(options.data, context.env), SETTINGS_NAME);
  return existsSync(file) ? file : null;
}

/** @throws TorsiondError as `loadSettings` */
export async function commandSettings(options: { readonly config?: string; readonly data?: string }, context: CommandContext): Promise<LoadedSettings> {
  const file = settingsFile(options, context);
  if (file === null) return emptySettings();
  const { loadSettings } = await import('../settings/read-settings.ts');
  return loadSettings(file);
}

/** All defaults: no instruments, and the built-in drivers. */
export async function emptySettings(): Promise<LoadedSettings> {
  const { gatewayChecks } = await import('../settings/default-checks.ts');
  return { settings: defaultSettings(), checks: gatewayChecks };
}
