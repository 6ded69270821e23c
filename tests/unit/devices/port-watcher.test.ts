import { chmod, mkdtemp, rm, symlink, unlink, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { serialPortStamp, watchPort, type PortEvent } from '../../../daemon/devices/port-watcher.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';

async function pass(clock: ManualClock, ms: number): Promise<void> {
  for (let passed = 0; passed < ms; passed += 50) {
    clock.advance(50);
    await breathe();
  }
}

describe('watchPort', () => {
  it('tells the first look and then only changes', async () => {
    const clock = new ManualClock();
    let stamp: string | null = null;
    const events: PortEvent[] = [];
    const watcher = watchPort({ clock, everyMs: 250, look: async () => stamp, onEvent: (event) => events.push(event) });
    await pass(clock, 1_000);
    stamp = 'a';
    await pass(clock, 1_000);
    stamp = 'b';
    await pass(clock, 1_000);
    stamp = null;
    await pass(clock, 1_000);
    watcher.stop();
    expect(events).toEqual([
      { isPresent: false, isChanged: false }, { isPresent: true, isChanged: false }, { isPresent: true, isChanged: true }, { isPresent: false, isChanged: false },
    ]);
    expect(clock.pendingTimers).toBe(0);
  });

  it('looks at the pace it is given, and once at a time however slow a look is', async () => {
    const clock = new ManualClock();
    let answer = (): void => {};
    const watcher = watchPort({ clock, everyMs: 250, look: () => new Promise((resolve) => (answer = () => resolve('a'))), onEvent: () => {} });
    await pass(clock, 5_000);
    expect(watcher.looks).toBe(1);
    watcher.setPace(1_000);
    for (let i = 0; i < 60; i++) {
      answer();
      await pass(clock, 50);
    }
    expect(watcher.looks).toBeGreaterThanOrEqual(3);
    expect(watcher.looks).toBeLessThanOrEqual(4);
    watcher.stop();
  });

  it('takes a look that fails for no news', async () => {
    const clock = new ManualClock();
    let isBroken = false;
    const events: PortEvent[] = [];
    const watcher = watchPort({
      clock, everyMs: 250, onEvent: (event) => events.push(event),
      look: async () => {
        if (isBroken) throw new Error('made up');
        return 'a';
      },
    });
    await pass(clock, 500);
    isBroken = true;
    await pass(clock, 500);
    isBroken = false;
    await pass(clock, 500);
    watcher.stop();
    expect(events).toEqual([{ isPresent: true, isChanged: false }]);
  });

  it('says nothing after it was stopped, not even what it was looking for', async () => {
    const clock = new ManualClock();
    let answer = (): void => {};
    const events: PortEvent[] = [];
    watchPort({ clock, everyMs: 250, look: () => new Promise((resolve) => (answer = () => resolve('a'))), onEvent: (event) => events.push(event) }).stop();
    answer();
    await breathe();
    expect(events).toEqual([]);
    expect(clock.pendingTimers).toBe(0);
  });
});

describe('serialPortStamp', () => {
  let folder = '';
  beforeEach(async () => {
    folder = await mkdtemp(join(tmpdir(), 'torsiond-port-'));
  });
  afterEach(() => rm(folder, { recursive: true, force: true }));

  it('is null where there is nothing, also behind a link that leads nowhere', async () => {
    await symlink(join(folder, 'tty-gone'), join(folder, 'by-id'));
    expect(await serialPortStamp(join(folder, 'tty-gone'))).toBeNull();
    expect(await serialPortStamp(join(folder, 'by-id'))).toBeNull();
    expect(await serialPortStamp(join(folder, 'no-folder', 'tty'))).toBeNull();
  });

  it('follows a stable name to the port, and changes with the port and its permissions only', async () => {
    const first = join(folder, 'tty0');
    const second = join(folder, 'tty1');
    const stable = join(folder, 'by-id');
    await writeFile(first, '');
    await writeFile(second, '');
    await symlink(first, stable);
    const stamp = await serialPortStamp(stable);
    expect(stamp).not.toBeNull();
    expect(await serialPortStamp(stable)).toBe(stamp);
    expect(await serialPortStamp(first)).toBe(stamp);
    await unlink(stable);
    await symlink(second, stable);
    const moved = await serialPortStamp(stable);
    expect(moved).not.toBe(stamp);
    await chmod(second, 0o600);
    expect(await serialPortStamp(stable)).not.toBe(moved);
  });

  it('cannot tell on Windows, and says so by never changing', async () => {
    expect(await serialPortStamp('COM3', 'win32')).toBe('unknown');
  });
});
