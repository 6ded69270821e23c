/** Every schema change there ever was, in order. The last number is the schema version of this release (user_version). */
import * as readings from './0001-readings.ts';

export interface Migration {
  readonly version: number;
  readonly name: string;
  readonly sql: string;
}

export const MIGRATIONS: readonly Migration[] = [
  { version: 1, name: 'readings', sql: readings.sql },
];

export const SCHEMA_VERSION = MIGRATIONS.at(-1)!.version;

/** Triggers of the current schema. */
export const GUARDS: readonly string[] = readings.guards;
