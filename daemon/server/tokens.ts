/**
 * Access tokens of a data directory. `tokens.json` (mode 0600) holds SHA-256 hashes only and is replaced as a whole;
 * the running daemon notices that. When a token was last used stands in a file of its own, written by the daemon
 * alone, so that the commands and the daemon never write over each other.
 */
import { createHash, randomBytes, timingSafeEqual } from 'node:crypto';
import { chmodSync, readFileSync, renameSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import * as z from 'zod';
import { systemClock, type Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { Scope } from '../../shared/wire/commands.ts';
import { makeDataDirectory } from '../storage/data-directory.ts';

const FILE = 'tokens.json';
const USE_FILE = 'token-use.json';
const MAX_TOKENS = 200;
/** A lock older than this was left behind by a process that died. */
const STALE_LOCK_MS = 10_000;
/** How exact "last used" is. */
const USE_STEP_MS = 60_000;

const StoredToken = z.strictObject({
  id: z.string(), scope: Scope, label: z.string(), createdAt: z.iso.datetime(), hash: z.string().regex(/^[0-9a-f]{64}$/),
});
type StoredToken = z.infer<typeof StoredToken>;
const TokenFile = z.strictObject({ version: z.literal(1), tokens: z.array(StoredToken).max(MAX_TOKENS) });
const UseFile = z.record(z.string(), z.iso.datetime());

export interface TokenRecord {
  readonly id: string;
  readonly scope: Scope;
  readonly label: string;
  /** ISO 8601. */
  readonly createdAt: string;
  /** ISO 8601, to the minute; null when never used. */
  readonly lastUsedAt: string | null;
}

/** Every method @throws TorsiondError TOKEN_FILE when the file cannot be read, understood or written; `create` and `revoke` also STORE_FAILED, STORE_FULL when there is no data directory for it. */
export interface TokenStore {
  /** The token itself is in the answer and nowhere else: it cannot be shown again. */
  create(scope: Scope, label: string): { readonly token: string; readonly record: TokenRecord };
  list(): readonly TokenRecord[];
  /** @throws TorsiondError TOKEN_UNKNOWN */
  revoke(id: string): void;
  /** The record of a token, or null. Takes the same time wherever it differs. Notes the use. */
  verify(token: string): TokenRecord | null;
  /** Whether a token with that id still exists. */
  isValid(id: string): boolean;
}

export function openTokenStore(dataDirectory: string, clock: Clock = systemClock): TokenStore {
  return new FileTokenStore(dataDirectory, clock);
}

class FileTokenStore implements TokenStore {
  readonly #directory: string;
  readonly #path: string;
  readonly #usePath: string;
  readonly #clock: Clock;
  #stamp = '';
  #tokens: readonly StoredToken[] = [];
  readonly #usedMs = new Map<string, number>();

  constructor(directory: string, clock: Clock) {
    this.#directory = directory;
    this.#path = join(directory, FILE);
    this.#usePath = join(directory, USE_FILE);
    this.#clock = clock;
  }

  create(scope: Scope, label: string): { token: string; record: TokenRecord } {
    const token = randomBytes(32).toString('base64url');
    const entry: StoredToken = {
      id: randomBytes(4).toString('hex'), scope, label: label.slice(0, 80),
      createdAt: new Date(this.#clock.wallMs()).toISOString(), hash: hashOf(token).toString('hex'),
    };
    this.#rewrite((tokens) => {
      if (tokens.length >= MAX_TOKENS) throw new TorsiondError('LIMIT_REACHED', `there are ${MAX_TOKENS} tokens already`, { where: this.#path, hint: 'Revoke those that are no longer used.' });
      return [...tokens, entry];
    });
    return { token, record: this.#record(entry, {}) };
  }

  list(): readonly TokenRecord[] {
    this.#refresh();
    const uses = this.#uses();
    return this.#tokens.map((entry) => this.#record(entry, uses));
  }

  revoke(id: string): void {
    this.#rewrite((tokens) => {
      if (!tokens.some((entry) => entry.id === id)) throw new TorsiondError('TOKEN_UNKNOWN', `there is no token "${id.slice(0, 40)}"`);
      return tokens.filter((entry) => entry.id !== id);
    });
  }

  verify(token: string): TokenRecord | null {
    this.#refresh();
    const presented = hashOf(token);
    let found: StoredToken | null = null;
    // All are compared, so that the time tells neither which one matched nor how far.
    for (const entry of this.#tokens) {
      if (timingSafeEqual(presented, Buffer.from(entry.hash, 'hex'))) found = entry;
    }
    if (found === null) return null;
    this.#noteUse(found.id);
    return this.#record(found, {});
  }

  isValid(id: string): boolean {
    this.#refresh();
    return this.#tokens.some((entry) => entry.id === id);
  }

  #refresh(): void {
    const stamp = stampOf(this.#path);
    if (stamp === this.#stamp) return;
    this.#tokens = stamp === '' ? [] : this.#read();
    this.#stamp = stamp;
  }

  #read(): readonly StoredToken[] {
    try {
      if (process.platform !== 'win32' && (statSync(this.#path).mode & 0o077) !== 0) chmodSync(this.#path, 0o600);
      return TokenFile.parse(JSON.parse(readFileSync(this.#path, 'utf8'))).tokens;
    } catch (cause) {
      throw new TorsiondError('TOKEN_FILE', 'the file of tokens cannot be read; no token is valid until it can', { where: this.#path, cause });
    }
  }

  /** The new file doubles as the lock: it is made exclusively and becomes the file by renaming. */
  #rewrite(change: (tokens: readonly StoredToken[]) => StoredToken[]): void {
    const next = `${this.#path}.new`;
    this.#lock(next);
    try {
      const tokens = change(stampOf(this.#path) === '' ? [] : this.#read());
      writeFileSync(next, `${JSON.stringify({ version: 1, tokens }, null, 2)}\n`, { mode: 0o600, flush: true });
      renameSync(next, this.#path);
    } catch (thrown) {
      rmSync(next, { force: true });
      if (thrown instanceof TorsiondError) throw thrown;
      throw new TorsiondError('TOKEN_FILE', 'the file of tokens cannot be written', { where: this.#path, cause: thrown });
    }
  }

  #lock(next: string): void {
    try {
      makeDataDirectory(this.#directory);
      try {
        writeFileSync(next, '', { mode: 0o600, flag: 'wx' });
      } catch (cause) {
        if (codeOf(cause) !== 'EEXIST') throw cause;
        if (this.#clock.wallMs() - statSync(next).mtimeMs < STALE_LOCK_MS) {
          throw new TorsiondError('TOKEN_FILE', 'another command is changing the tokens', { where: next, hint: 'Try again in some seconds.' });
        }
        rmSync(next);
        writeFileSync(next, '', { mode: 0o600, flag: 'wx' });
      }
    } catch (thrown) {
      if (thrown instanceof TorsiondError) throw thrown;
      throw new TorsiondError('TOKEN_FILE', 'the file of tokens cannot be written', { where: this.#path, cause: thrown });
    }
  }

  #uses(): Record<string, string> {
    try {
      return UseFile.parse(JSON.parse(readFileSync(this.#usePath, 'utf8')));
    } catch {
      // Last use is a convenience; without its file it is simply not known.
      return {};
    }
  }

  #noteUse(id: string): void {
    const now = this.#clock.wallMs();
    const before = this.#usedMs.get(id);
    if (before !== undefined && Math.abs(now - before) < USE_STEP_MS) return;
    this.#usedMs.set(id, now);
    const known = new Set(this.#tokens.map((entry) => entry.id));
    const uses = Object.fromEntries(Object.entries({ ...this.#uses(), [id]: new Date(now).toISOString() }).filter(([key]) => known.has(key)));
    try {
      writeFileSync(`${this.#usePath}.new`, `${JSON.stringify(uses)}\n`, { mode: 0o600 });
      renameSync(`${this.#usePath}.new`, this.#usePath);
    } catch {
      // A full disk must not lock anybody out.
    }
  }

  #record(entry: StoredToken, uses: Record<string, string>): TokenRecord {
    const { id, scope, label, createdAt } = entry;
    return { id, scope, label, createdAt, lastUsedAt: uses[id] ?? null };
  }
}

function hashOf(token: string): Buffer {
  return createHash('sha256').update(token).digest();
}

/** Changes whenever the file was replaced or written; empty when there is none. */
function stampOf(path: string): string {
  try {
    const { ino, size, mtimeMs } = statSync(path);
    return `${ino}/${size}/${mtimeMs}`;
  } catch (cause) {
    if (codeOf(cause) === 'ENOENT' || codeOf(cause) === 'ENOTDIR') return '';
    throw new TorsiondError('TOKEN_FILE', 'the file of tokens cannot be read', { where: path, cause });
  }
}

function codeOf(thrown: unknown): unknown {
  return thrown instanceof Error && 'code' in thrown ? thrown.code : undefined;
}
