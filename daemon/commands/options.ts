/** Values on the command line: read strictly, refused with what is allowed. */
import { homedir } from 'node:os';
import { join } from 'node:path';
import { InvalidArgumentError } from 'commander';
import { TORQUE_UNITS, unitFromSpelling } from '../../shared/units.ts';

/** For `Option.argParser`. */
export function positiveNumber(text: string): number {
  const value = plainNumber(text);
  if (value > 0) return value;
  throw new InvalidArgumentError('A number above 0 is needed.');
}

export function numberFromZero(text: string): number {
  const value = plainNumber(text);
  if (value >= 0) return value;
  throw new InvalidArgumentError('A number of at least 0 is needed.');
}

export function wholeNumber(least: number, most: number): (text: string) => number {
  return (text) => {
    const value = /^\d+$/.test(text) ? Number(text) : Number.NaN;
    if (value >= least && value <= most) return value;
    throw new InvalidArgumentError(`A whole number of ${least} to ${most} is needed.`);
  };
}

function plainNumber(text: string): number {
  return /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$/.test(text) ? Number(text) : Number.NaN;
}

export function torqueUnitCode(text: string): string {
  if (TORQUE_UNITS.some((unit) => unit.ucum === text)) return text;
  const meant = unitFromSpelling(text);
  throw new InvalidArgumentError(`${meant === null ? '' : `Did you mean ${meant.ucum}? `}Known units are ${TORQUE_UNITS.map((unit) => unit.ucum).join(', ')}.`);
}

/** A day or a moment; a day begins at midnight UTC. @returns ISO 8601 in UTC */
export function moment(text: string): string {
  const isDate = /^\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})?)?$/.test(text);
  const time = isDate ? Date.parse(text) : Number.NaN;
  if (Number.isFinite(time)) return new Date(time).toISOString();
  throw new InvalidArgumentError('A day or a moment such as 2026-11-25 or 2026-11-25T08:00:00Z is needed.');
}

/** Where the gateway keeps its data when no --data is given: what systemd says, else the user's own data folder. */
export function dataDirectory(given: string | undefined, env: Readonly<Record<string, string | undefined>>): string {
  if (given !== undefined) return given;
  if (env.STATE_DIRECTORY) return env.STATE_DIRECTORY.split(':')[0]!;
  if (process.platform === 'win32') return join(env.LOCALAPPDATA ?? join(homedir(), 'AppData', 'Local'), 'torsiond');
  if (process.platform === 'darwin') return join(homedir(), 'Library', 'Application Support', 'torsiond');
  return join(env.XDG_DATA_HOME ?? join(homedir(), '.local', 'share'), 'torsiond');
}

export const DATA_OPTION = ['--data <dir>', 'data directory; default: the service\'s own, else the user\'s data folder'] as const;
export const JSON_OPTION = ['--json', 'JSON lines on standard output and nothing else there'] as const;

export function counted(number: number, what: string): string {
  return `${number} ${what}${number === 1 ? '' : 's'}`;
}
