/** One thing that is wrong in a settings file, and where. */
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';

export type SettingsPath = readonly (string | number)[];

export interface SettingsFault {
  readonly code: ErrorCode;
  /** 1-based. */
  readonly line: number;
  /** 1-based, in characters. */
  readonly column: number;
  /** For example `instruments[0].link.baudRate`; empty for the file as a whole. */
  readonly path: string;
  /** What is wrong and what is allowed. */
  readonly message: string;
}

export function formatPath(path: SettingsPath): string {
  return path.reduce<string>((text, part) => {
    if (typeof part === 'number') return `${text}[${part}]`;
    return text === '' ? part : `${text}.${part}`;
  }, '');
}

/** `file:line:column path: what is wrong and what is allowed`, always one line. */
export function formatFault(file: string, fault: SettingsFault): string {
  const path = fault.path === '' ? '' : ` ${fault.path}`;
  return `${file}:${fault.line}:${fault.column}${path}: ${fault.message.replace(/\s+/g, ' ')}`;
}

/** The first fault as an error; the others are counted in its message. */
export function faultsAsError(file: string, faults: readonly SettingsFault[]): TorsiondError {
  const first = faults[0]!;
  const others = faults.length === 1 ? '' : ` (and ${faults.length - 1} more)`;
  const path = first.path === '' ? '' : `${first.path}: `;
  return new TorsiondError(first.code, `${path}${first.message}${others}`, { where: `${file}:${first.line}:${first.column}` });
}
