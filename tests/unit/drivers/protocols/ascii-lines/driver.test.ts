import { describe, expect, it } from 'vitest';
import type { DriverEvent, DriverSession } from '../../../../../drivers/api.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../../../../drivers/links/memory-link.ts';
import { asciiLines } from '../../../../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../../../../drivers/protocols/ascii-lines/options.ts';
import { STATUS } from '../../../../../shared/sample-block.ts';
import { ManualClock } from '../../../../helpers/manual-clock.ts';

interface Bench {
  session: DriverSession;
  far: MemoryFarEnd;
  clock: ManualClock;
  events: DriverEvent[];
  abort: AbortController;
  sent: () => string[];
  isComplete: () => boolean;
}

function bench(options: Parameters<typeof AsciiLinesOptions.parse>[0] = {}): Bench {
  const clock = new ManualClock();
  const { link, far } = createMemoryLink(clock, 'bench-a');
  const abort = new AbortController();
  const session = asciiLines.createSession({ options: AsciiLinesOptions.parse(options), link, clock, signal: abort.signal });
  const events: DriverEvent[] = [];
  let isComplete = false;
  session.events$.subscribe({ next: (event) => events.push(event), complete: () => { isComplete = true; } });
  return { session, far, clock, events, abort, sent: () => far.written.map((bytes) => Buffer.from(bytes).toString()), isComplete: () => isComplete };
}

/** Lets promises that are due run. */
const settled = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
const told = (events: DriverEvent[]): unknown[] => events.map((event) => (event.kind === 'values'
  ? [event.channel, ...event.values]
  : [event.error.code, event.channel, event.missing]));

describe('values', () => {
  it('of one chunk come as one run per channel, with the time of the chunk', async () => {
    const { session, far, events } = bench({ channels: [{ column: 1 }, { column: 2 }] });
    expect(await session.start()).toBeNull();
    far.deliver('cut\n1,10\n2,20\n3,30\n4,', 5_000);
    far.deliver('40\n', 5_010);
    expect(events).toEqual([
      { kind: 'values', channel: 0, values: Float64Array.of(1, 2, 3), unit: null, status: null, atMs: 5_000 },
      { kind: 'values', channel: 1, values: Float64Array.of(10, 20, 30), unit: null, status: null, atMs: 5_000 },
      { kind: 'values', channel: 0, values: Float64Array.of(4), unit: null, status: null, atMs: 5_010 },
      { kind: 'values', channel: 1, values: Float64Array.of(40), unit: null, status: null, atMs: 5_010 },
    ]);
    expect(session.counters()).toEqual({ frames: 4, faults: 0, discardedBytes: 4 });
  });

  it('belong to the receiver: the next chunk does not change them', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver('\n1\n2\n');
    far.deliver('8\n9\n');
    expect(told(events)).toEqual([[0, 1, 2], [0, 8, 9]]);
  });

  it('carry their status, and break where the unit changes', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver('\n1 Nm\n2 Nm OL\n3 cNm\n');
    expect(events).toEqual([
      expect.objectContaining({ unit: 'N.m', values: Float64Array.of(1, 2), status: Uint8Array.of(0, STATUS.overload) }),
      expect.objectContaining({ unit: 'cN.m', values: Float64Array.of(3), status: null }),
    ]);
  });

  it('in a chunk of many thousand lines come in one event', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver(`\n${'1.5\n'.repeat(15_000)}`);
    expect(events.length).toBe(1);
    expect(events[0]).toMatchObject({ kind: 'values', values: new Float64Array(15_000).fill(1.5) });
  });
});

describe('faults', () => {
  it('stand between the values where the sample is missing', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver('\n1\nnan\n2\n\n??\n3\n');
    expect(told(events)).toEqual([[0, 1], ['VALUE_NOT_FINITE', 0, 1], [0, 2], ['FRAME_UNREADABLE', null, 1], ['FRAME_UNREADABLE', 0, 1], [0, 3]]);
    expect(session.counters()).toMatchObject({ frames: 6, faults: 3 });
  });

  it('of the same kind in a row are one event that counts them', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver('\n1\n##\n###\n####\n2\n');
    expect(told(events)).toEqual([[0, 1], ['FRAME_UNREADABLE', 0, 3], [0, 2]]);
  });

  it('touch only the channel they concern', async () => {
    const { session, far, events } = bench({ channels: [{ column: 1 }, { column: 2 }] });
    await session.start();
    far.deliver('\n1,10\n2,OL\n3,30\n');
    const of = (channel: number): unknown[] => told(events.filter((event) => event.channel === channel));
    expect(of(0)).toEqual([[0, 1, 2, 3]]);
    expect(of(1)).toEqual([[1, 10], ['VALUE_OVERLOAD', 1, 1], [1, 30]]);
  });

  it('say what came, short and readable', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver(`\n\u0007${'x'.repeat(200)}\n`);
    const [fault] = events;
    expect(fault).toMatchObject({ kind: 'fault', error: { where: 'bench-a' } });
    expect(fault?.kind === 'fault' && fault.error.message.length).toBeLessThan(80);
    expect(fault?.kind === 'fault' && fault.error.message).toContain('\\u0007xxx');
  });

  it('in a long row, as a wrong baud rate gives, say so', async () => {
    const { session, far, events } = bench();
    await session.start();
    for (let i = 0; i < 30; i++) far.deliver(Uint8Array.of(0xf8, 0x80, 0x0a));
    const hints = events.map((event) => (event.kind === 'fault' ? event.error.hint : ''));
    expect(hints[0]).not.toContain('baud rate, data bits');
    expect(hints.at(-1)).toContain('Check the baud rate');
    far.deliver('1\n##\n');
    expect((events.at(-1) as { error: { hint: string } }).error.hint).not.toContain('baud rate, data bits');
  });

  it('an over-long line is one fault and a missing sample, and the next line is read', async () => {
    const { session, far, events } = bench({ maxLineBytes: 16 });
    await session.start();
    far.deliver(`\n1\n${'5'.repeat(100)}`);
    far.deliver(`${'5'.repeat(100)}\n2\n`);
    expect(told(events)).toEqual([[0, 1], ['FRAME_TOO_LONG', null, 1], [0, 2]]);
    expect(session.counters().discardedBytes).toBe(1 + 201);
  });

  it('lines to be ignored are none, unless they hold a torque', async () => {
    const { session, far, events } = bench({ ignore: '^(#|1)' });
    await session.start();
    far.deliver('\n# started\n1\n#\n2\n');
    expect(told(events)).toEqual([[0, 1, 2]]);
    expect(session.counters().faults).toBe(0);
  });
});

describe('the beginning and the end', () => {
  it('the first partial line and the last one give nothing', async () => {
    const { session, far, events } = bench();
    await session.start();
    far.deliver('2.5\n7\n12.');
    far.unplug();
    await settled();
    expect(told(events)).toEqual([[0, 7]]);
    expect(session.counters().discardedBytes).toBe(4 + 3);
  });

  it('events complete when the link ends', async () => {
    const { session, far, isComplete } = bench();
    await session.start();
    far.unplug();
    await settled();
    expect(isComplete()).toBe(true);
  });

  it('after stop nothing is told, and the link stays open', async () => {
    const { session, far, events, isComplete, sent } = bench({ commands: { stop: 'STOP' } });
    await session.start();
    far.deliver('\n1\n');
    await Promise.all([session.stop(), session.stop()]);
    far.deliver('2\n');
    expect(told(events)).toEqual([[0, 1]]);
    expect(isComplete()).toBe(true);
    expect(far.isOpen).toBe(true);
    expect(sent()).toEqual(['STOP\r\n']);
  });

  it('stop before start, or after a loss, sends nothing and is fine', async () => {
    const early = bench({ commands: { stop: 'STOP' } });
    await early.session.stop();
    const late = bench({ commands: { stop: 'STOP' } });
    await late.session.start();
    late.far.unplug();
    await settled();
    await late.session.stop();
    expect([...early.sent(), ...late.sent()]).toEqual([]);
  });
});

describe('commands', () => {
  it('start, zero and free text are sent with their ending', async () => {
    const { session, sent } = bench({ commands: { start: 'GO', zero: 'Z', ending: '\n' } });
    await session.start();
    await session.command({ kind: 'zero' });
    await session.command({ kind: 'send', text: 'X1' });
    expect(sent()).toEqual(['GO\n', 'Z\n', 'X1\n']);
  });

  it('that no setting gives are refused with a hint', async () => {
    const { session } = bench();
    await session.start();
    await expect(session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED', hint: expect.stringContaining('commands.zero') as string });
  });

  it('after the end are refused', async () => {
    const { session, far } = bench({ commands: { zero: 'Z' } });
    await session.start();
    far.unplug();
    await settled();
    await expect(session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'LINK_CLOSED' });
  });
});

describe('identification', () => {
  const identify = { commands: { start: 'GO', identify: { send: '*IDN?' } } };
  const invented = 'Hollin & Fenn,HF-60,1042,2.1'; // an invented instrument
  const expected = { maker: 'Hollin & Fenn', model: 'HF-60', serialNumber: '1042', firmware: '2.1' };

  it('asks, reads the answer among streaming values, then sends the start command', async () => {
    const { session, far, events, sent } = bench(identify);
    const started = session.start();
    await settled();
    far.deliver(`7\n1.5\n${invented}\r\n2.5\n`);
    expect(await started).toEqual(expected);
    expect(sent()).toEqual(['*IDN?\r\n', 'GO\r\n']);
    expect(told(events)).toEqual([[0, 1.5, 2.5]]);
  });

  it('takes the answer of a device that was silent before as its first line', async () => {
    const { session, far, clock } = bench(identify);
    const started = session.start();
    await settled();
    far.deliver(`${invented}\n`);
    expect(await started).toEqual(expected);
    expect(clock.pendingTimers).toBe(0);
  });

  it('asks again, then says that nobody answered', async () => {
    const { session, clock, sent } = bench({ commands: { identify: { send: 'ID', tries: 2, timeoutMs: 100 } } });
    const started = session.start();
    const failed = expect(started).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT' });
    await settled();
    clock.advance(100);
    await settled();
    clock.advance(100);
    await failed;
    expect(sent()).toEqual(['ID\r\n', 'ID\r\n']);
    expect(clock.pendingTimers).toBe(0);
  });

  it('an answer that does not fit is no answer', async () => {
    const { session, far, clock, events } = bench({ commands: { identify: { send: 'ID', tries: 1, answer: '^SN(?<serialNumber>\\d+)$' } } });
    const failed = expect(session.start()).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT' });
    await settled();
    far.deliver('\nSNX\n');
    clock.advance(1_000);
    await failed;
    expect(told(events)).toEqual([['FRAME_UNREADABLE', 0, 1]]);
  });

  it('ends at once when it is given up or the link is lost', async () => {
    const given = bench(identify);
    const up = expect(given.session.start()).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT' });
    await settled();
    given.abort.abort();
    await up;
    const lost = bench(identify);
    const gone = expect(lost.session.start()).rejects.toMatchObject({ code: 'LINK_LOST' });
    await settled();
    lost.far.unplug();
    await gone;
    expect([given.clock.pendingTimers, lost.clock.pendingTimers]).toEqual([0, 0]);
  });
});
