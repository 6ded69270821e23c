/** A note in the data directory that says where its gateway answers, for commands that run beside it. */
import { readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import { hostname } from 'node:os';
import { join } from 'node:path';
import * as z from 'zod';
import { isAlive } from './is-alive.ts';

const FILE = 'torsiond.gateway.json';

const GatewayNote = z.object({ pid: z.number().int().positive(), host: z.string(), url: z.url({ protocol: /^http$/ }) });
export type GatewayNote = z.infer<typeof GatewayNote>;

/** @throws what the file system says */
export function writeGatewayNote(dataDirectory: string, url: string): void {
  const note: GatewayNote = { pid: process.pid, host: hostname(), url };
  const path = join(dataDirectory, FILE);
  writeFileSync(`${path}.new`, `${JSON.stringify(note)}\n`, { mode: 0o600 });
  renameSync(`${path}.new`, path);
}

export function removeGatewayNote(dataDirectory: string): void {
  rmSync(join(dataDirectory, FILE), { force: true });
}

/** Null when no gateway runs on the directory on this machine; one that was killed leaves its note, which then counts for nothing. */
export function readGatewayNote(dataDirectory: string): GatewayNote | null {
  try {
    const note = GatewayNote.parse(JSON.parse(readFileSync(join(dataDirectory, FILE), 'utf8')));
    return note.host === hostname() && isAlive(note.pid) ? note : null;
  } catch {
    return null;
  }
}
