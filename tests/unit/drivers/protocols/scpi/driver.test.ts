import { describe, expect, it } from 'vitest';
import { scpi } from '../../../../../drivers/protocols/scpi/driver.ts';
import { polledBench, settled, told, type DeviceAnswer, type PolledBench } from '../../../../helpers/polled-bench.ts';

const IDENTITY = 'Hollin & Fenn,HF-A2,0107,1.4'; // an invented instrument

/** Answers *IDN? and an empty error queue; the rest is the test's. `errors` are given out first. */
function bench(options: object, device: (message: string) => DeviceAnswer, errors: string[] = []): PolledBench {
  return polledBench(scpi, { poll: { rateHz: 10 }, ...options }, (bytes) => {
    const message = Buffer.from(bytes).toString('latin1');
    if (message === '*IDN?\n') return `${IDENTITY}\n`;
    if (message === 'SYST:ERR?\n') return `${errors.shift() ?? '0,"No error"'}\n`;
    return message === '*CLS\n' ? null : device(message);
  });
}

describe('a session', () => {
  it('asks who is there, sets up, then reads values at even times', async () => {
    let value = 0;
    const { started, sent, pass, events, session } = bench({ setup: ['*CLS', 'SENS:RANG 60'] }, (message) => (message === 'READ?\n' ? `${++value}.5\r\n` : null));
    expect(await started()).toEqual({ maker: 'Hollin & Fenn', model: 'HF-A2', serialNumber: '0107', firmware: '1.4' });
    expect(sent().slice(0, 4)).toEqual(['*IDN?\n', '*CLS\n', 'SENS:RANG 60\n', 'SYST:ERR?\n']);
    await pass(300);
    expect(told(events)).toEqual([[0, 1.5], [0, 2.5], [0, 3.5], [0, 4.5]]);
    const times = events.map((event) => event.atMs);
    expect(times.map((time) => time - times[0]!)).toEqual([0, 100, 200, 300]);
    expect(session.counters()).toMatchObject({ faults: 0, discardedBytes: expect.any(Number) as number });
  });

  it('gives several channels, of one answer or of several questions, and their units', async () => {
    const { started, pass, events } = bench(
      { queries: [{ text: 'FETC?', values: [1, 3] }, { text: 'MEAS:TORQ?', values: [1] }] },
      (message) => (message === 'FETC?\n' ? '1,99,-3\n' : '250 cNm\n'),
    );
    await started();
    await pass(50);
    expect(events).toMatchObject([{ channel: 0, unit: null }, { channel: 1, unit: null }, { channel: 2, unit: 'cN.m' }]);
    expect(told(events)).toEqual([[0, 1], [1, -3], [2, 250]]);
  });

  it('sends the trigger before each query, and other terminators', async () => {
    const { started, pass, sent, events } = polledBench(scpi, {
      poll: { rateHz: 10 }, identify: false, setup: [], trigger: '*TRG', queries: [{ text: 'FETC?' }], terminators: { send: '\r', receive: '\r' },
    }, () => '7\r');
    await started();
    await pass(10);
    expect(sent()).toEqual(['FETC?\r', '*TRG\rFETC?\r']);
    expect(told(events)).toEqual([[0, 7]]);
  });

  it('asks as fast as answers come', async () => {
    const { started, pass, events, clock } = bench({ poll: { asFastAsAnswered: true } }, () => ({ afterMs: 4, bytes: '1\n' }));
    await started();
    const begin = clock.monoMs();
    await pass(200);
    expect(events.length).toBeGreaterThanOrEqual(45);
    expect(events.every((event) => event.kind === 'values')).toBe(true);
    expect((events.at(-1)!.atMs - begin) / events.length).toBeCloseTo(4, 0);
  });

  it('takes answers in pieces', async () => {
    const { started, pass, events, far, clock } = bench({}, () => {
      '12.5\n'.split('').forEach((letter, i) => clock.after(3 * (i + 1), () => far.deliver(letter)));
      return null;
    });
    await started();
    await pass(50);
    expect(told(events)).toEqual([[0, 12.5]]);
  });
});

describe('faults', () => {
  it.each([
    ['9.91E37', 'VALUE_NOT_FINITE'], ['9.9E37', 'VALUE_OVERLOAD'], ['-9.9E37', 'VALUE_OVERLOAD'], ['garbage', 'FRAME_UNREADABLE'],
  ])('an answer %s is one missing sample, and the next is right', async (bad, code) => {
    const answers = ['1', bad, '3'];
    const { started, pass, events } = bench({ poll: { rateHz: 2 } }, () => `${answers.shift() ?? '4'}\n`);
    await started();
    await pass(1_100);
    expect(told(events)).toEqual([[0, 1], [code, 0, 1], [0, 3]]);
  });

  it('an answer with too few values is one missing sample of each channel', async () => {
    const { started, pass, events } = bench({ queries: [{ text: 'FETC?', values: [1, 2] }] }, () => '1\n');
    await started();
    await pass(10);
    expect(told(events)).toEqual([['FRAME_UNREADABLE', null, 1]]);
  });

  it('a missing answer is a missing sample; the queue is read and each entry told', async () => {
    let asked = 0;
    const { started, pass, events, sent } = bench(
      { poll: { rateHz: 2, timeoutMs: 100, quietMs: 50 } }, () => (++asked === 2 ? null : `${asked}\n`),
      ['0,"No error"', '-230,"Data corrupt or stale"', '-113,"Undefined header"'],
    );
    await started();
    await pass(1_100);
    expect(told(events)).toEqual([[0, 1], ['DEVICE_TIMEOUT', null, 1], ['DEVICE_ERROR', null, 0], ['DEVICE_ERROR', null, 0], [0, 3]]);
    expect(events.flatMap((event) => (event.kind === 'fault' ? event.error.message : []))).toEqual([
      'no answer to "READ?" within 100 ms', 'the device reports -230, "Data corrupt or stale"', 'the device reports -113, "Undefined header"',
    ]);
    expect(sent().filter((text) => text === 'SYST:ERR?\n').length).toBe(4);
  });

  it('the queue of a device that never stops complaining is read up to the limit', async () => {
    let asked = 0;
    const endless = { shift: () => '-200,"Execution error"' } as unknown as string[];
    const { started, pass, events } = bench({ setup: [], poll: { rateHz: 2, timeoutMs: 100 }, errors: { max: 5 } }, () => (++asked === 1 ? null : '1\n'), endless);
    await started();
    await pass(550);
    expect(told(events)).toEqual([['DEVICE_TIMEOUT', null, 1], ['DEVICE_ERROR', null, 0], ...Array.from({ length: 4 }, () => ['DEVICE_ERROR', null, 0]), [0, 1]]);
  });

  it('a late answer is never taken for the next, even when it comes after the quiet time', async () => {
    let asked = 0;
    const { started, pass, events } = bench({ poll: { rateHz: 10, timeoutMs: 50, quietMs: 20 } }, () => (++asked === 2 ? { afterMs: 75, bytes: '2\n' } : `${asked}\n`));
    await started();
    await pass(420);
    const values = events.flatMap((event) => (event.kind === 'values' ? [...event.values] : []));
    expect(values).toEqual([1, 3, 4, 5]);
    expect(told(events)[1]).toEqual(['DEVICE_TIMEOUT', null, 1]);
  });

  it('asked with each value, stale data is no sample and other errors leave it', async () => {
    const answers = ['1;0,"No error"', '1;-230,"Data corrupt or stale"', '2;-222,"Data out of range"', '3;0,"No error"'];
    const { started, pass, events, sent } = bench({ setup: [], errors: { read: 'with-each' }, queries: [{ text: 'FETC?' }] }, () => `${answers.shift() ?? '0;0,"No error"'}\n`);
    await started();
    await pass(310);
    expect(sent()[1]).toBe('FETC?;:SYST:ERR?\n');
    expect(told(events)).toEqual([[0, 1], ['VALUE_NOT_FINITE', null, 1], [0, 2], ['DEVICE_ERROR', null, 0], [0, 3]]);
  });

  it('polls that cannot be asked in time are missing samples, never a queue', async () => {
    let asked = 0;
    const { started, pass, events, sent } = bench({ poll: { rateHz: 10 } }, () => (++asked === 3 ? { afterMs: 350, bytes: '3\n' } : `${asked}\n`));
    await started();
    await pass(1_000);
    expect(told(events)).toEqual([[0, 1], [0, 2], [0, 3], ['POLL_MISSED', null, 2], [0, 4], [0, 5], [0, 6], [0, 7], [0, 8], [0, 9]]);
    expect(sent().filter((text) => text === 'READ?\n').length).toBe(9);
  });
});

describe('commands', () => {
  const device = (message: string): DeviceAnswer => (message === 'READ?\n' ? '1\n' : message === 'CAL:DATE?\n' ? '2026,4,12\n' : null);

  it('zero and free text are sent between polls, and what the device says against them is told', async () => {
    const errors: string[] = [];
    const { started, pass, sent, session, events } = bench({ commands: { zero: 'SENS:ZERO' } }, device, errors);
    await started();
    const done = session.command({ kind: 'zero' });
    await pass(5);
    await done;
    errors.push('-221,"Settings conflict"');
    const refused = expect(session.command({ kind: 'send', text: 'SENS:RANG 999' })).rejects.toMatchObject({ code: 'DEVICE_ERROR', message: expect.stringContaining('-221') as string });
    await pass(5);
    await refused;
    const asked = session.command({ kind: 'send', text: 'CAL:DATE?' });
    await pass(150);
    await asked;
    expect(sent()).toEqual(expect.arrayContaining(['SENS:ZERO\n', 'SENS:RANG 999\n', 'CAL:DATE?\n']));
    expect(events.every((event) => event.kind === 'values')).toBe(true);
  });

  it('that no setting gives, or that are more than a line, are refused', async () => {
    const { started, session } = bench({}, device);
    await started();
    await expect(session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED', hint: expect.stringContaining('commands.zero') as string });
    await expect(session.command({ kind: 'send', text: 'A\nB' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED' });
  });
});

describe('the beginning and the end', () => {
  it('nobody answers: asked twice, then told', async () => {
    const { started, sent, clock } = polledBench(scpi, { poll: { rateHz: 10, timeoutMs: 100 } }, () => null);
    await expect(started()).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT' });
    expect(sent()).toEqual(['*IDN?\n', '*IDN?\n']);
    expect(clock.pendingTimers).toBeLessThanOrEqual(1);
  });

  it('a stop during a question ends it: nothing is told, no timer stays, the stop command is sent', async () => {
    const { started, session, far, clock, events, isComplete, sent } = bench({ commands: { stop: 'SYST:LOC' } }, () => null);
    await started();
    const waiting = expect(session.command({ kind: 'send', text: 'X' })).rejects.toMatchObject({ code: 'LINK_CLOSED' });
    const count = events.length;
    await Promise.all([session.stop(), session.stop()]);
    await waiting;
    far.deliver('5\n');
    clock.advance(10_000);
    await settled();
    expect([events.length, isComplete(), clock.pendingTimers, far.isOpen, sent().at(-1)]).toEqual([count, true, 0, true, 'SYST:LOC\n']);
  });

  it('is given up at once, or ended by a loss, while it starts', async () => {
    const given = polledBench(scpi, { poll: { rateHz: 10 } }, () => null);
    const up = expect(given.session.start()).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT', message: expect.stringContaining('given up') as string });
    await settled();
    given.abort.abort();
    await up;
    const lost = polledBench(scpi, { poll: { rateHz: 10 } }, () => null);
    const gone = expect(lost.session.start()).rejects.toMatchObject({ code: 'LINK_LOST' });
    await settled();
    lost.far.unplug();
    await gone;
    await settled();
    expect([given.clock.pendingTimers, lost.clock.pendingTimers, lost.isComplete()]).toEqual([0, 0, true]);
  });
});

describe('options', () => {
  it.each([
    [{}, 'poll'], [{ poll: {} }, 'poll'], [{ poll: { rateHz: 10, asFastAsAnswered: true } }, 'poll'], [{ poll: { rateHz: 10 }, queries: [{ text: 'READ' }] }, 'queries'],
    [{ poll: { rateHz: 10 }, setup: ['A\nB'] }, 'setup'],
  ])('%j are refused with their place', (options, place) => {
    const parsed = scpi.optionsSchema.safeParse(options);
    expect(parsed.success).toBe(false);
    expect(parsed.error?.issues[0]?.path[0]).toBe(place);
  });
});

it('asks on when the answer about its errors is lost after a value that cannot be read', async () => {
  let isLost = false;
  let polls = 0;
  const made = polledBench(scpi, { poll: { rateHz: 10, timeoutMs: 40, quietMs: 40 }, setup: [], identify: false }, (message): DeviceAnswer => {
    if (Buffer.from(message).toString() === 'SYST:ERR?\n') return isLost ? null : '0,"No error"\n';
    const isBroken = ++polls === 3;
    isLost ||= isBroken;
    // Later than its question has left.
    return { afterMs: 2, bytes: isBroken ? '?#!\n' : '1.5\n' };
  });
  await made.started();
  await made.pass(1_500);
  const values = made.events.filter((event) => event.kind === 'values').length;
  expect(values).toBeGreaterThan(8);
});
