import { mkdtempSync, readdirSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { type OpenedStore, openStore, openStoreReadOnly } from '../../../daemon/storage/open-store.ts';
import type { StoreStatus } from '../../../daemon/storage/store.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { madeRecord, madeSamples } from '../../helpers/made-trace.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

const samples = madeSamples({ seconds: 0.5, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 }, 1);
const record = (index: number) => madeRecord(index, samples);

let directory: string;
const open: { close(): Promise<void> }[] = [];
beforeEach(() => { directory = mkdtempSync(join(tmpdir(), 'torsiond-store-')); });
afterEach(async () => {
  for (const store of open.splice(0)) await store.close();
  rmSync(directory, { recursive: true });
});

async function started(options: Parameters<typeof openStore>[1] = {}): Promise<OpenedStore> {
  const store = await openStore(directory, options);
  open.push(store);
  return store;
}

function put(store: OpenedStore, index: number) {
  const { reading, trace } = record(index);
  return store.append(reading, trace);
}

const codeOf = (promise: Promise<unknown>): Promise<string> =>
  promise.then(() => 'resolved', (thrown: unknown) => (thrown instanceof TorsiondError ? thrown.code : String(thrown)));

describe('the store', () => {
  it('gives back reading and trace as they were handed over, with their place', async () => {
    const clock = new ManualClock();
    const store = await started({ clock });
    const { reading, trace } = madeRecord(0, samples, new Uint8Array(samples.length).fill(2, 0, 9));
    const stored = await store.append({ ...reading, value: -0 }, trace);
    expect(stored).toMatchObject({ storedAtMs: clock.wallMs(), reading: { ...reading, value: -0, seq: 1 } });
    expect(stored.hash).toMatch(/^[0-9a-f]{64}$/);
    expect(await store.reading(reading.id)).toEqual(stored);
    expect(await store.trace(reading.id)).toEqual(trace);
    expect(await store.reading('reading-none')).toBeNull();
    expect(await store.trace('reading-none')).toBeNull();
  });

  it('numbers readings without a hole, in the order they were handed over, and goes on after a restart', async () => {
    const store = await started();
    const announced: number[] = [];
    await Promise.all(Array.from({ length: 300 }, (_, i) => put(store, i).then((stored) => announced.push(stored.reading.seq!))));
    expect(announced).toEqual(Array.from({ length: 300 }, (_, i) => i + 1));
    expect(store.status()).toMatchObject({ state: 'ready', pending: 0, lastSeq: 300 });
    await store.close();
    const again = await started();
    expect(again.status().lastSeq).toBe(300);
    expect((await put(again, 300)).reading.seq).toBe(301);
    expect(await again.audit()).toMatchObject({ records: 301, lastSeq: 301, faults: [] });
  });

  it('stores what waits before it closes, and takes no more afterwards', async () => {
    const store = await started();
    const appended = Array.from({ length: 150 }, (_, i) => put(store, i));
    await store.close();
    expect((await Promise.all(appended)).at(-1)!.reading.seq).toBe(150);
    expect(await codeOf(put(store, 150))).toBe('STORE_FAILED');
    expect(await codeOf(store.readings({}))).toBe('STORE_FAILED');
  });

  it('keeps the data directory to its user', async () => {
    const inner = join(directory, 'new', 'data');
    const store = await openStore(inner);
    open.push(store);
    expect(statSync(inner).mode & 0o777).toBe(0o700);
    expect(statSync(join(inner, 'torsiond.db')).mode & 0o077).toBe(0);
  });

  it('answers queries by place, time, channel and order, in pages', async () => {
    const store = await started();
    await Promise.all(Array.from({ length: 30 }, (_, i) => put(store, i)));
    const places = async (query: Parameters<OpenedStore['readings']>[0]) => (await store.readings(query)).map((stored) => stored.reading.seq);
    expect(await places({ afterSeq: 27 })).toEqual([28, 29, 30]);
    expect(await places({ limit: 2 })).toEqual([1, 2]);
    expect(await places({ limit: 2, order: 'newest' })).toEqual([30, 29]);
    expect(await places({ channel: 'bench-b/1', afterSeq: 25 })).toEqual([26, 28, 30]);
    expect(await places({ since: record(28).reading.startedAt })).toEqual([29, 30]);
    // The same moment in another notation.
    expect(await places({ since: record(28).reading.startedAt.replace('.200Z', '.2Z') })).toEqual([29, 30]);
    expect(await places({ since: '2030-01-01T00:00:00Z' })).toEqual([]);
    for (const bad of [{ limit: 0 }, { limit: 1_001 }, { afterSeq: -1 }, { afterSeq: 0.5 }, { since: 'noon' }]) {
      expect(await codeOf(store.readings(bad)), JSON.stringify(bad)).toBe('MESSAGE_INVALID');
    }
  });

  it('orders by place when the wall clock goes back an hour', async () => {
    const clock = new ManualClock();
    const store = await started({ clock });
    await put(store, 1);
    clock.jumpWall(-3_600_000);
    const later = await put(store, 0);
    expect(later.reading.seq).toBe(2);
    expect((await store.readings({})).map((stored) => stored.reading.id)).toEqual([record(1).reading.id, record(0).reading.id]);
    expect((await store.audit()).faults).toEqual([]);
  });

  it('stores a reading once that is handed over twice, and refuses another with its id', async () => {
    const store = await started();
    const [first, second] = await Promise.all([put(store, 0), put(store, 0)]);
    expect(second).toEqual(first);
    expect(await put(store, 0)).toEqual(first);
    const { reading, trace } = record(0);
    expect(await codeOf(store.append({ ...reading, value: 51 }, trace))).toBe('STORE_FAILED');
    expect(await codeOf(store.append(reading, { ...trace, device: trace.device.map((value) => value + 1) }))).toBe('STORE_FAILED');
    expect((await put(store, 1)).reading.seq).toBe(2);
    expect(await store.reading(reading.id)).toEqual(first);
    expect(store.status().state).toBe('ready');
  });

  it('refuses what is no reading, by itself, without holding up the others', async () => {
    const store = await started();
    const { reading, trace } = record(0);
    const results = await Promise.all([
      codeOf(put(store, 1)),
      codeOf(store.append({ ...reading, value: NaN }, trace)),
      codeOf(store.append({ ...reading, traceId: 'trace-of-another' }, trace)),
      codeOf(store.append(reading, { ...trace, spacingMs: Infinity })),
      codeOf(store.append(reading, { ...trace, evidence: { ...trace.evidence, extra: () => 1 } as never })),
      codeOf(put(store, 2)),
    ]);
    expect(results).toEqual(['resolved', 'INTERNAL', 'INTERNAL', 'INTERNAL', 'INTERNAL', 'resolved']);
    expect(store.status()).toMatchObject({ state: 'ready', lastSeq: 2, pending: 0 });
    expect((await put(store, 3)).reading.seq).toBe(3);
  });

  it('takes ten thousand waiting readings and refuses the next with LIMIT_REACHED', async () => {
    const store = await started();
    const short = new Float64Array(1);
    const appended: Promise<string>[] = [];
    for (let i = 0; i < 10_001; i += 1) {
      const { reading, trace } = madeRecord(i, short);
      appended.push(codeOf(store.append(reading, trace)));
    }
    expect(store.status().pending).toBe(10_000);
    expect(await appended[10_000]).toBe('LIMIT_REACHED');
    expect(new Set(await Promise.all(appended.slice(0, 10_000)))).toEqual(new Set(['resolved']));
    expect(store.status()).toMatchObject({ pending: 0, lastSeq: 10_000 });
  });

  it('bounds what waits in bytes as well', async () => {
    const store = await started();
    const long = new Float64Array(4_000_000);
    const codes = await Promise.all(Array.from({ length: 9 }, (_, i) => {
      const { reading, trace } = madeRecord(i, long);
      return codeOf(store.append(reading, trace));
    }));
    expect(codes).toEqual([...Array.from({ length: 8 }, () => 'resolved'), 'LIMIT_REACHED']);
  });

  it('keeps comments and corrections as records of their own', async () => {
    const store = await started();
    await put(store, 0);
    const readingId = record(0).reading.id;
    const note = { id: 'note-1', readingId, kind: 'comment', text: 'Handle was held too short.', who: 'Tamsin Fenn (invented)' } as const;
    const stored = await store.addNote(note);
    expect(stored).toMatchObject({ ...note, number: 1 });
    expect(await store.addNote(note)).toEqual(stored);
    expect(await codeOf(store.addNote({ ...note, text: 'Another.' }))).toBe('STORE_FAILED');
    expect(await codeOf(store.addNote({ ...note, id: 'note-2', readingId: 'none' }))).toBe('READING_UNKNOWN');
    expect(await codeOf(store.addNote({ ...note, id: 'note-2', text: '' }))).toBe('MESSAGE_INVALID');
    const second = await store.addNote({ ...note, id: 'note-2', kind: 'correction', text: 'Tool HF-17, not HF-71.' });
    expect(await store.notes(readingId)).toEqual([stored, second]);
    expect((await store.audit()).faults).toEqual([]);
  });
});

describe('a full disk', () => {
  it('refuses readings with STORE_FULL, says so, goes on with queries, and recovers by itself', async () => {
    const clock = new ManualClock();
    let pages = 1_000_000;
    const store = await started({ clock, maxPages: () => pages });
    const seen: StoreStatus['state'][] = [];
    store.onStatus((status) => seen.push(status.state));
    await put(store, 0);
    pages = 1;
    let index = 1;
    for (; index < 200; index += 1) if (await codeOf(put(store, index)) === 'STORE_FULL') break;
    expect(index).toBeLessThan(200);
    expect(seen).toEqual(['full']);
    expect(store.status()).toMatchObject({ state: 'full', pending: 0, lastSeq: index, detail: expect.stringContaining('full') as string });
    expect((await store.readings({ limit: 1_000 })).length).toBe(index);

    // It looks again after a wait that grows; still no room.
    clock.advance(1_000);
    await waitUntil(() => clock.pendingTimers === 1, 'the next look to be planned');
    expect(store.status().state).toBe('full');
    pages = 1_000_000;
    clock.advance(2_000);
    await waitUntil(() => store.status().state === 'ready', 'the store to be ready');
    expect(seen).toEqual(['full', 'ready']);
    expect(clock.pendingTimers).toBe(0);
    expect((await put(store, index)).reading.seq).toBe(index + 1);
    expect((await store.audit()).faults).toEqual([]);
  });

  it('is over with the next reading that is stored, without waiting', async () => {
    const clock = new ManualClock();
    let pages = 1;
    const store = await started({ clock, maxPages: () => pages });
    let index = 0;
    for (; index < 200; index += 1) if (await codeOf(put(store, index)) === 'STORE_FULL') break;
    expect(store.status().state).toBe('full');
    pages = 1_000_000;
    expect((await put(store, index)).reading.seq).toBe(index + 1);
    expect(store.status().state).toBe('ready');
  });
});

describe('a writer that dies', () => {
  const entry = new URL('../../fixtures/dying-writer.ts', import.meta.url);

  it('leaves no reading unanswered, is replaced, and the same readings can be handed over again', async () => {
    const clock = new ManualClock();
    const store = await started({ clock, writerEntry: entry });
    const states: string[] = [];
    store.onStatus((status) => states.push(status.state));
    await put(store, 0);
    const dying = { ...record(1).reading, id: 'die after the commit' };
    const lost = [codeOf(store.append(dying, record(1).trace)), ...Array.from({ length: 200 }, (_, i) => codeOf(put(store, i + 2)))];
    expect(new Set(await Promise.all(lost))).toEqual(new Set(['STORE_FAILED']));
    expect(store.status()).toMatchObject({ state: 'failed', pending: 0 });
    expect(await codeOf(put(store, 2))).toBe('STORE_FAILED');
    expect((await store.readings({})).length).toBeGreaterThan(1);

    clock.advance(1_000);
    await waitUntil(() => store.status().state === 'ready', 'a new writer');
    expect(states).toEqual(['failed', 'ready']);
    for (let i = 2; i < 202; i += 1) await put(store, i);
    const again = await store.readings({ limit: 1_000 });
    expect(again.map((stored) => stored.reading.seq)).toEqual(again.map((_, i) => i + 1));
    expect(again.length).toBe(202);
    expect((await store.audit()).faults).toEqual([]);
  });
});

describe('reading beside a running daemon', () => {
  it('sees what is stored, while it is stored, and changes nothing', async () => {
    const store = await started();
    await put(store, 0);
    const reader = await openStoreReadOnly(directory);
    open.unshift(reader);
    expect((await reader.readings({})).length).toBe(1);
    await put(store, 1);
    expect((await reader.readings({})).length).toBe(2);
    expect(await reader.trace(record(1).reading.id)).toEqual(record(1).trace);
    expect((await reader.audit()).records).toBe(2);
    expect(Object.keys(reader)).not.toContain('append');
  });

  it('works without a daemon and names a missing database', async () => {
    expect(await codeOf(openStoreReadOnly(directory))).toBe('INPUT_NOT_FOUND');
    expect(readdirSync(directory)).toEqual([]);
    const store = await openStore(directory);
    await put(store, 0);
    await store.close();
    const reader = await openStoreReadOnly(directory);
    open.push(reader);
    const shares: number[] = [];
    expect(await reader.audit((share) => shares.push(share))).toMatchObject({ records: 1, faults: [] });
  });

  it('tells how far an audit is, and lets other queries through meanwhile', async () => {
    const store = await started();
    const short = new Float64Array(3);
    await Promise.all(Array.from({ length: 1_500 }, (_, i) => {
      const { reading, trace } = madeRecord(i, short);
      return store.append(reading, trace);
    }));
    const shares: number[] = [];
    let isDone = false;
    const audit = store.audit((share) => shares.push(share)).finally(() => { isDone = true; });
    await store.reading(record(0).reading.id);
    expect(isDone).toBe(false);
    expect((await audit).records).toBe(1_500);
    expect(shares.length).toBeGreaterThan(10);
    expect(shares).toEqual([...shares].sort((a, b) => a - b));
    expect(shares.every((share) => share > 0 && share <= 1)).toBe(true);
  });
});

describe('closing', () => {
  it('ends a store whose writer died and was about to be replaced, and frees the directory', async () => {
    const clock = new ManualClock();
    const store = await openStore(directory, { clock, writerEntry: new URL('../../fixtures/dying-writer.ts', import.meta.url) });
    expect(await codeOf(store.append({ ...record(0).reading, id: 'die after the commit' }, record(0).trace))).toBe('STORE_FAILED');
    await waitUntil(() => clock.pendingTimers === 1, 'the restart to be planned');
    clock.advance(1_000);
    await store.close();
    await store.close();
    expect(clock.pendingTimers).toBe(0);
    const again = await started();
    expect((await again.readings({})).map((stored) => stored.reading.id)).toEqual(['die after the commit']);
  });
});
