import { describe, expect, it } from 'vitest';
import * as z from 'zod';
import { logDriverFailure } from '../../../daemon/devices/driver-log.ts';
import { createLog } from '../../../daemon/log.ts';
import type { TorsiondError } from '../../../shared/errors.ts';
import { breathe, instrumentBench } from '../../helpers/instrument-bench.ts';
import { scriptedDriver } from '../../helpers/scripted-driver.ts';

describe('a driver that breaks its contract', () => {
  const broken: [string, Parameters<typeof scriptedDriver>[0]][] = [
    ['throws when it is made', { create: () => { throw new Error('made up'); } }],
    ['throws in start', { start: async () => { throw new Error('made up'); } }],
    ['throws when bytes come', { read: () => { throw new RangeError('made up'); } }],
    ['sends a value that is not finite', { read: (session, _data, atMs) => session.events.next({ kind: 'values', channel: 0, values: Float64Array.of(NaN), unit: null, status: null, atMs }) }],
    ['sends values of a channel it does not have', { read: (session, _data, atMs) => session.events.next({ kind: 'values', channel: 1, values: Float64Array.of(1), unit: null, status: null, atMs }) }],
    ['lets its events fail', { read: (session) => session.events.error(new Error('made up')) }],
    ['ends its events on an open link', { read: (session) => session.events.complete() }],
  ];
  it.each(broken)('%s: it is named, closed, and tried again', async (_name, plan) => {
    const bench = instrumentBench(scriptedDriver(plan));
    bench.instrument.start();
    await breathe();
    await bench.pass(300);
    if (bench.state() === 'streaming') bench.far[0]!.deliver('x');
    await bench.pass(150);
    expect(bench.instrument.info()).toMatchObject({ state: 'waiting', fault: { code: 'DRIVER_FAILED' } });
    expect(bench.blocks).toEqual([]);
    expect(bench.far[0]!.isOpen).toBe(false);
    await bench.pass(1_000);
    expect(bench.far.length).toBeGreaterThan(1);
    await bench.instrument.stop();
  });

  it('does not exist: the settings need a person, and no link is opened', async () => {
    const bench = instrumentBench({ driver: null });
    bench.instrument.start();
    await bench.pass(1_000);
    expect(bench.instrument.info()).toMatchObject({ state: 'needs-attention', fault: { code: 'DRIVER_UNKNOWN' } });
    expect(bench.far).toEqual([]);
    await bench.instrument.stop();
  });

  it('describes another number of channels than the settings', async () => {
    const bench = instrumentBench(scriptedDriver({ channels: 2 }));
    bench.instrument.start();
    expect(bench.instrument.info()).toMatchObject({ state: 'needs-attention', fault: { code: 'SETTINGS_INVALID' } });
    await bench.instrument.stop();
  });

  it.each([
    ['counts its channels', { channelCount: () => { throw new Error('no idea\nat all'); } }, 'no idea'],
    ['reads its options', { optionsSchema: z.record(z.string(), z.unknown()).refine(() => { throw new Error('not today'); }) }, 'not today'],
    ['reads its options later', { optionsSchema: z.record(z.string(), z.unknown()).refine(async () => true) }, 'Promise'],
  ] as const)('throws while it %s: that is told, and nothing is opened', async (_what, part, words) => {
    const bench = instrumentBench({ driver: { ...scriptedDriver().driver, ...part } });
    bench.instrument.start();
    await bench.pass(1_000);
    expect(bench.instrument.info()).toMatchObject({
      state: 'needs-attention', fault: { code: 'DRIVER_FAILED', message: expect.stringMatching(new RegExp(`^the driver scripted fails while its options are checked: .*${words}[^\\n]*$`)) as string },
    });
    expect(bench.far).toEqual([]);
    await bench.instrument.stop();
  });
});

describe('what a driver throws', () => {
  const boom = (): never => {
    throw new RangeError('made up');
  };
  it.each([
    ['when it is made', { create: boom }],
    ['in start', { start: async () => boom() }],
    ['when bytes come', { read: boom }],
    ['in a command', { command: async () => boom() }],
  ] as [string, Parameters<typeof scriptedDriver>[0]][])('%s: the log has its stack at debug level, and clients the message alone', async (_name, plan) => {
    const lines: string[] = [];
    const quiet: string[] = [];
    const failures: TorsiondError[] = [];
    const debug = createLog({ isTerminal: false, level: 'debug', write: (line) => lines.push(line) });
    const info = createLog({ isTerminal: false, level: 'info', write: (line) => quiet.push(line) });
    const bench = instrumentBench({ ...scriptedDriver(plan), onDriverFailed: (error) => {
      failures.push(error);
      for (const log of [debug, info]) logDriverFailure(log, 'bench-a', error);
    } });
    bench.instrument.start();
    await breathe();
    await bench.pass(300);
    if (bench.state() === 'streaming') {
      if (plan?.command) await expect(bench.instrument.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'DRIVER_FAILED', message: 'made up' });
      else bench.far[0]!.deliver('x');
    }
    await bench.pass(50);
    expect(failures).toHaveLength(1);
    expect(JSON.parse(lines[0]!)).toMatchObject({
      instrument: 'bench-a', code: 'DRIVER_FAILED', msg: 'the driver failed',
      err: { type: 'RangeError', message: 'made up', stack: expect.stringContaining('instrument-driver.test.ts') as string },
    });
    expect(quiet).toEqual([]);
    expect(JSON.stringify(bench.infos)).not.toContain('instrument-driver.test.ts');
    await bench.instrument.stop();
  });
});

describe('commands', () => {
  it('reach the running driver only', async () => {
    const { driver, sessions } = scriptedDriver();
    const bench = instrumentBench({ driver });
    await expect(bench.instrument.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'CHANNEL_NOT_READY' });
    await bench.toStreaming();
    await bench.instrument.command({ kind: 'zero' });
    expect(sessions[0]!.commands).toEqual([{ kind: 'zero' }]);
    await expect(bench.instrument.command({ kind: 'send', text: 'x' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED' });
    await bench.instrument.stop();
  });

  it('never reach the next device', async () => {
    let release = (): void => {};
    const { driver } = scriptedDriver({
      command: async (session) => {
        await new Promise<void>((resolve) => (release = resolve));
        await session.context.link.write(new TextEncoder().encode('Z'));
      },
    });
    const bench = instrumentBench({ driver });
    await bench.toStreaming();
    const command = expect(bench.instrument.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'LINK_CLOSED' });
    bench.far[0]!.unplug();
    await bench.pass(1_200);
    expect(bench.far).toHaveLength(2);
    release();
    await command;
    expect(bench.far.flatMap((end) => end.written)).toEqual([]);
    await bench.instrument.stop();
  });

  it('end after a time', async () => {
    const bench = instrumentBench(scriptedDriver({ command: () => new Promise(() => {}) }), { silenceMs: 60_000 });
    await bench.toStreaming();
    const command = expect(bench.instrument.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT' });
    await bench.pass(5_010);
    await command;
    await bench.instrument.stop();
  });
});
