import { describe, expect, it } from 'vitest';
import { createInstrumentSet } from '../../../daemon/devices/instrument-set.ts';
import { InstrumentSettings } from '../../../daemon/settings/schema.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../../drivers/links/memory-link.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { scriptedDriver } from '../../helpers/scripted-driver.ts';
import { seeded } from '../../helpers/seeded.ts';

const instrument = (id: string, over: object = {}): InstrumentSettings => InstrumentSettings.parse({
  id, link: { kind: 'serial', path: `/dev/${id}` }, driver: { id: 'scripted' },
  channels: [{ sampleRateHz: 100, transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }], ...over,
});

describe('a set of instruments', () => {
  it('runs the good ones while others are absent, busy, broken, unknown or switched off', async () => {
    const clock = new ManualClock();
    const good = scriptedDriver();
    const bad = scriptedDriver({ read: () => { throw new Error('made up'); } });
    const ends = new Map<string, MemoryFarEnd>();
    const tapped: string[] = [];
    const set = createInstrumentSet([
      instrument('good-1'), instrument('absent'), instrument('busy'), instrument('broken', { driver: { id: 'broken' } }),
      instrument('unknown', { driver: { id: 'nobody' } }), instrument('too-old', { driver: { id: 'too-old' } }), instrument('off', { enabled: false }), instrument('good-2', { link: { kind: 'tcp', host: 'bench.example', port: 4001 } }),
    ], {
      clock,
      random: seeded(2),
      findDriver: (id) => {
        if (id === 'too-old') throw new TorsiondError('DRIVER_FAILED', 'made for another version');
        return { scripted: good.driver, broken: bad.driver }[id];
      },
      portStamp: async (path) => (path === '/dev/absent' ? null : path),
      openLink: (settings) => async () => {
        const name = settings.kind === 'serial' ? settings.path.slice(5) : 'good-2';
        if (name === 'absent') throw new TorsiondError('LINK_NOT_FOUND', 'made up');
        if (name === 'busy') throw new TorsiondError('LINK_BUSY', 'made up');
        const { link, far } = createMemoryLink(clock, name);
        ends.set(name, far);
        return link;
      },
      onChunk: (settings) => tapped.push(settings.id),
    });
    const blocks: DeviceBlock[] = [];
    const states: string[] = [];
    set.blocks$.subscribe((block) => blocks.push(block));
    set.info$.subscribe((info) => states.push(`${info.id} ${info.state}`));
    set.start();
    for (let i = 0; i < 40; i++) {
      clock.advance(10);
      await breathe();
    }
    ends.get('broken')!.deliver('x');
    for (let i = 0; i < 5; i++) {
      clock.advance(10);
      ends.get('good-1')!.deliver('1');
      ends.get('good-2')!.deliver('2');
    }
    await breathe();
    expect(Object.fromEntries(set.instruments.map((one) => [one.id, one.info().state]))).toEqual({
      'good-1': 'streaming', absent: 'absent', busy: 'waiting', broken: 'waiting', unknown: 'needs-attention', 'too-old': 'needs-attention', off: 'stopped', 'good-2': 'streaming',
    });
    expect(blocks.filter((block) => block.channel === 'good-1/1')).toHaveLength(5);
    expect(blocks.filter((block) => block.channel === 'good-2/1')).toHaveLength(5);
    expect(states).toContain('good-2 streaming');
    expect(tapped.filter((id) => id === 'good-1')).toHaveLength(5);
    expect(set.get('good-1')?.channels).toEqual(['good-1/1']);
    expect(set.counters().get('torsiond_samples_total{channel="good-2/1"}')).toBe(5);
    await set.stop();
    expect(set.instruments.every((one) => one.info().state === 'stopped')).toBe(true);
    expect([...ends.values()].some((end) => end.isOpen)).toBe(false);
    expect(clock.pendingTimers).toBe(0);
  });
});
