/** A disk that is really full: a small file system in memory. Needs the right to mount; elsewhere the page limit stands in (store.test.ts). */
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { openStore } from '../../daemon/storage/open-store.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import { madeRecord, madeSamples } from '../helpers/made-trace.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const mountPoint = mkdtempSync(join(tmpdir(), 'torsiond-full-'));
const isMounted = process.platform === 'linux' && spawnSync('mount', ['-t', 'tmpfs', '-o', 'size=12m', 'tmpfs', mountPoint]).status === 0;
afterAll(() => {
  if (isMounted) spawnSync('umount', [mountPoint]);
  rmSync(mountPoint, { recursive: true, force: true });
});

describe.skipIf(!isMounted)('a full file system', () => {
  const filler = join(mountPoint, 'filler');
  beforeAll(() => writeFileSync(filler, Buffer.alloc(6 * 2 ** 20)));

  it('refuses readings, keeps every acknowledged one, and stores again by itself when there is room', async () => {
    const clock = new ManualClock();
    const store = await openStore(join(mountPoint, 'data'), { clock });
    const device = madeSamples({ seconds: 3, rateHz: 1_000, capacity: 100, torque: 50, noise: 0.0005, bits: 16 }, 1);
    const put = async (index: number): Promise<string> => {
      const { reading, trace } = madeRecord(index, device);
      return store.append(reading, trace).then(() => 'stored', (thrown: unknown) => (thrown as TorsiondError).code);
    };
    let index = 0;
    while (index < 4_000 && await put(index) === 'stored') index += 1;
    expect(index).toBeGreaterThan(100);
    expect(await put(index)).toBe('STORE_FULL');
    expect(store.status()).toMatchObject({ state: 'full', pending: 0, lastSeq: index });
    expect((await store.reading(madeRecord(index - 1, device).reading.id))?.reading.seq).toBe(index);
    expect((await store.audit())).toMatchObject({ records: index, faults: [] });

    // Looking again while there is no room changes nothing.
    clock.advance(1_000);
    await waitUntil(() => clock.pendingTimers === 1, 'the next look to be planned');
    expect(store.status().state).toBe('full');

    rmSync(filler);
    clock.advance(30_000);
    await waitUntil(() => store.status().state === 'ready', 'the store to be ready');
    expect(await put(index)).toBe('stored');
    expect(await store.audit()).toMatchObject({ records: index + 1, lastSeq: index + 1, faults: [] });
    await store.close();
  });
});
