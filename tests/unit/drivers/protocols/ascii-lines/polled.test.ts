import { describe, expect, it } from 'vitest';
import { asciiLines } from '../../../../../drivers/protocols/ascii-lines/driver.ts';
import { polledBench, settled, told } from '../../../../helpers/polled-bench.ts';

const poll = { request: 'M?', rateHz: 2, timeoutMs: 100, quietMs: 50 };

describe('lines that are asked for', () => {
  it('come at even times and are read as lines that stream', async () => {
    let call = 0;
    const { started, pass, events, sent } = polledBench(asciiLines, { poll, channels: [{ column: 1 }, { column: 2 }], commands: { start: 'REMOTE' } }, (message) => (
      message.length > 4 ? null : { afterMs: 3, bytes: `${++call}.5 Nm,-${call}\r\n` }));
    expect(await started()).toBeNull();
    await pass(600);
    expect(sent()).toEqual(['REMOTE\r\n', 'M?\r\n', 'M?\r\n', 'M?\r\n']);
    expect(told(events)).toEqual([[0, 2.5], [1, -2], [0, 3.5], [1, -3]]);
    expect(events[0]).toMatchObject({ unit: 'N.m' });
    expect(events[2]!.atMs - events[0]!.atMs).toBe(500);
  });

  it.each([
    ['nothing', null, ['DEVICE_TIMEOUT', null, 1]], ['garbage', '?#!\n', ['FRAME_UNREADABLE', 0, 1]], ['overload', 'OL\n', ['VALUE_OVERLOAD', 0, 1]],
    ['a late answer', { afterMs: 140, bytes: '99\n' }, ['DEVICE_TIMEOUT', null, 1]], ['half a line', '12', ['DEVICE_TIMEOUT', null, 1]],
    ['a line too long', `${'9'.repeat(300)}\n`, ['FRAME_TOO_LONG', null, 1]],
  ])('%s for an answer is one missing sample, and the next is right', async (_, bad, fault) => {
    let call = 0;
    const { started, pass, events } = polledBench(asciiLines, { poll }, () => (++call === 3 ? bad : `${call}\n`));
    await started();
    await pass(1_600);
    // The rest of half a line is never put together with the next answer, which it spoils.
    const next = bad === '12' ? [['DEVICE_TIMEOUT', null, 1], [0, 5]] : [[0, 4], [0, 5]];
    expect(told(events)).toEqual([[0, 2], fault, ...next]);
  });

  it('pass over what is to be ignored', async () => {
    const { started, pass, events } = polledBench(asciiLines, { poll, ignore: '^#' }, () => '# hello\n1\n');
    await started();
    await pass(10);
    expect(told(events)).toEqual([[0, 1]]);
  });

  it('follow the identity, and give way to commands', async () => {
    const { started, pass, events, sent, session } = polledBench(asciiLines, { poll, commands: { identify: { send: 'ID' }, zero: 'Z', ending: '\n', stop: 'LOCAL' } }, (message) => {
      const text = Buffer.from(message).toString();
      return text === 'ID\n' ? 'Hollin & Fenn,HF-60,1042,2.1\n' : text === 'M?\n' ? '5\n' : null;
    });
    expect(await started()).toMatchObject({ serialNumber: '1042' });
    await session.command({ kind: 'zero' });
    await pass(10);
    await session.stop();
    expect(sent()).toEqual(['ID\n', 'M?\n', 'Z\n', 'LOCAL\n']);
    expect(told(events)).toEqual([[0, 5]]);
  });

  it('end with a stop, without a timer', async () => {
    const { started, session, clock, isComplete, events, far } = polledBench(asciiLines, { poll }, () => ({ afterMs: 5, bytes: '1\n' }));
    await started();
    await session.stop();
    clock.advance(1_000);
    await settled();
    expect([clock.pendingTimers, isComplete(), events.length, far.isOpen]).toEqual([0, true, 0, true]);
  });

  it('of one channel each cannot be had by one question', () => {
    const options = { poll, lineChannel: { column: 1, names: ['A', 'B'] }, channels: [{ column: 2 }] };
    expect(asciiLines.optionsSchema.safeParse(options).error?.issues[0]?.path).toEqual(['poll']);
  });
});
