import { chmodSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync, utimesSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { ManualClock } from '../helpers/manual-clock.ts';

let directory: string;
let file: string;
beforeEach(() => {
  directory = mkdtempSync(join(tmpdir(), 'torsiond-tokens-'));
  file = join(directory, 'tokens.json');
});
afterEach(() => rmSync(directory, { recursive: true, force: true }));

describe('the store of tokens', () => {
  it('gives out 32 random bytes and keeps their hash only, for the owner alone', () => {
    const store = openTokenStore(directory);
    const tokens = Array.from({ length: 20 }, () => store.create('read', 'x').token);
    expect(new Set(tokens).size).toBe(20);
    for (const token of tokens) {
      expect(Buffer.from(token, 'base64url')).toHaveLength(32);
      expect(readFileSync(file, 'utf8')).not.toContain(token);
    }
    expect(statSync(file).mode & 0o777).toBe(0o600);
    expect(readdirSync(directory)).toEqual(['tokens.json']);
  });

  it('knows its tokens again, with scope and label', () => {
    const { token, record } = openTokenStore(directory).create('operate', 'bench 2');
    const again = openTokenStore(directory);
    expect(again.verify(token)).toMatchObject({ id: record.id, scope: 'operate', label: 'bench 2' });
    for (const wrong of ['', token.slice(1), `${token} `, token.toLowerCase(), 'x'.repeat(10_000)]) expect(again.verify(wrong)).toBeNull();
  });

  it('notices what another process changed', () => {
    const daemon = openTokenStore(directory);
    expect(daemon.verify('nothing')).toBeNull();
    const command = openTokenStore(directory);
    const { token, record } = command.create('read', '');
    expect(daemon.verify(token)).not.toBeNull();
    expect(daemon.isValid(record.id)).toBe(true);
    command.revoke(record.id);
    expect(daemon.verify(token)).toBeNull();
    expect(daemon.isValid(record.id)).toBe(false);
    expect(() => command.revoke(record.id)).toThrow(expect.objectContaining({ code: 'TOKEN_UNKNOWN' }) as Error);
  });

  it('says when a token was last used, without touching the file of tokens', () => {
    const clock = new ManualClock();
    const store = openTokenStore(directory, clock);
    const { token, record } = store.create('read', '');
    expect(store.list()).toMatchObject([{ id: record.id, createdAt: '2026-11-25T08:00:00.000Z', lastUsedAt: null }]);
    const before = statSync(file).ino;
    clock.advance(90_000);
    store.verify(token);
    expect(openTokenStore(directory).list()).toMatchObject([{ lastUsedAt: '2026-11-25T08:01:30.000Z' }]);
    clock.advance(10_000);
    store.verify(token);
    expect(store.list()).toMatchObject([{ lastUsedAt: '2026-11-25T08:01:30.000Z' }]);
    expect(statSync(file).ino).toBe(before);
    expect(statSync(join(directory, 'token-use.json')).mode & 0o777).toBe(0o600);
  });

  it('lets nobody in while its file is damaged, and says so', () => {
    const store = openTokenStore(directory);
    const { token } = store.create('read', '');
    const good = readFileSync(file);
    for (const damaged of ['', '{', '[]', '{"version":2,"tokens":[]}', good.toString().replace(/"hash": "../, '"hash": "zz')]) {
      writeFileSync(file, damaged);
      expect(() => store.verify(token), damaged).toThrow(expect.objectContaining({ code: 'TOKEN_FILE' }) as Error);
      expect(() => store.create('read', ''), damaged).toThrow(expect.objectContaining({ code: 'TOKEN_FILE' }) as Error);
    }
    writeFileSync(file, good);
    expect(store.verify(token)).not.toBeNull();
  });

  it('takes the file away from other users', () => {
    const { token } = openTokenStore(directory).create('read', '');
    chmodSync(file, 0o644);
    expect(openTokenStore(directory).verify(token)).not.toBeNull();
    expect(statSync(file).mode & 0o777).toBe(0o600);
  });

  it('lets one command change it at a time, and forgets a command that died', () => {
    const store = openTokenStore(directory);
    const lock = `${file}.new`;
    writeFileSync(lock, '');
    expect(() => store.create('read', '')).toThrow(expect.objectContaining({ code: 'TOKEN_FILE' }) as Error);
    const old = new Date(Date.now() - 60_000);
    utimesSync(lock, old, old);
    expect(store.create('read', '').token).not.toBe('');
  });

  it('says where when it cannot write', () => {
    writeFileSync(join(directory, 'a-file'), '');
    expect(() => openTokenStore(join(directory, 'a-file')).create('read', '')).toThrow(expect.objectContaining({ code: 'STORE_FAILED' }) as Error);
  });

  it('is bounded', () => {
    const store = openTokenStore(directory);
    const entry = (i: number): object => ({ id: `t${i}`, scope: 'read', label: '', createdAt: '2026-11-25T08:00:00.000Z', hash: i.toString(16).padStart(64, '0') });
    writeFileSync(file, JSON.stringify({ version: 1, tokens: Array.from({ length: 200 }, (_, i) => entry(i)) }), { mode: 0o600 });
    expect(() => store.create('read', '')).toThrow(expect.objectContaining({ code: 'LIMIT_REACHED' }) as Error);
  });

  it('compares in constant time: hashes of one length, all of them, by the function that is made for it', () => {
    for (const name of ['tokens.ts', 'access/access.ts']) {
      const source = readFileSync(new URL(`../../daemon/server/${name}`, import.meta.url), 'utf8');
      expect(source).toMatch(/timingSafeEqual\(/);
      // A secret next to === would leave the loop at the first difference.
      expect(source).not.toMatch(/(hash|token|presented|digest)\s*(===|!==)(?!\s*(null|undefined))/i);
    }
  });
});
