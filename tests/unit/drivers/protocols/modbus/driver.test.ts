import { describe, expect, it } from 'vitest';
import { modbusRtu, modbusTcp } from '../../../../../drivers/protocols/modbus/driver.ts';
import { mbapFrame, rtuFrame } from '../../../../../drivers/protocols/modbus/codec.ts';
import { polledBench, settled, told, type DeviceAnswer } from '../../../../helpers/polled-bench.ts';

const CHANNEL = { address: 0, type: 'i16', scale: 0.5 };
/** Registers as an answer to a read. */
const registers = (...values: number[]): Uint8Array => Uint8Array.of(3, 2 * values.length, ...values.flatMap((value) => [(value >> 8) & 0xff, value & 0xff]));
const rtu = (unit: number, pdu: Uint8Array): Uint8Array => rtuFrame(unit, pdu);

describe('modbus-rtu', () => {
  it('reads channels of several units at even times', async () => {
    const { started, pass, events, far, session } = polledBench(modbusRtu, {
      poll: { rateHz: 10 },
      channels: [{ ...CHANNEL, unit: 2 }, { ...CHANNEL, address: 5 }, { ...CHANNEL, address: 6, offset: 1 }],
    }, (message) => ({ afterMs: 3, bytes: message[0] === 1 ? rtu(1, registers(10, -20)) : rtu(2, registers(7)) }));
    expect(await started()).toBeNull();
    const before = far.written.length;
    await pass(150);
    expect(told(events)).toEqual([[1, 5], [2, -9], [0, 3.5], [1, 5], [2, -9], [0, 3.5]]);
    expect(events[0]).toMatchObject({ unit: null, status: null });
    expect(events[3]!.atMs - events[0]!.atMs).toBe(100);
    expect(far.written.slice(before).map((bytes) => Buffer.from(bytes).toString('hex').slice(0, 12))).toEqual(['010300050002', '020300000001', '010300050002', '020300000001']);
    expect(session.counters()).toMatchObject({ faults: 0 });
  });

  it('keeps the line silent before each request', async () => {
    let answeredMs = 0;
    const gaps: number[] = [];
    const bench = polledBench(modbusRtu, { poll: { asFastAsAnswered: true }, pauseMs: 4, channels: [CHANNEL] }, (_, clock) => {
      if (answeredMs > 0) gaps.push(clock.monoMs() - answeredMs);
      answeredMs = clock.monoMs() + 2;
      return { afterMs: 2, bytes: rtu(1, registers(1)) };
    });
    await bench.started();
    await bench.pass(100);
    expect(gaps.length).toBeGreaterThan(10);
    expect(Math.min(...gaps)).toBeGreaterThanOrEqual(4);
  });

  it('takes answers in pieces and after noise', async () => {
    const { started, pass, events, far, clock } = polledBench(modbusRtu, { poll: { rateHz: 10 }, channels: [CHANNEL] }, () => {
      Buffer.concat([Uint8Array.of(0xff, 0x01), rtu(1, registers(9))]).forEach((byte, i) => clock.after(2 * i + 1, () => far.deliver(Uint8Array.of(byte))));
      return null;
    });
    await started();
    await pass(90);
    expect(told(events)).toEqual([[0, 4.5]]);
  });
});

interface Case {
  readonly name: string;
  readonly answer: (call: number) => DeviceAnswer;
  readonly events: unknown[];
  readonly message?: string;
}

/** The session asks once to see that somebody is there, then twice a second; the second poll goes wrong. */
describe('one poll that goes wrong is one missing sample, and the next is right', () => {
  const good = (value: number): Uint8Array => rtu(1, registers(value));
  const wrong: Case[] = [
    { name: 'no answer', answer: () => null, events: ['DEVICE_TIMEOUT', null, 1], message: 'no answer to holding registers 0 to 0 of unit 1 within 100 ms' },
    { name: 'another unit', answer: () => rtu(2, registers(4)), events: ['DEVICE_TIMEOUT', null, 1], message: 'no answer to holding registers 0 to 0 of unit 1 within 100 ms; 7 bytes came that are none: another unit or function, or damaged' },
    { name: 'another function', answer: () => rtu(1, Uint8Array.of(4, 2, 0, 1)), events: ['DEVICE_TIMEOUT', null, 1] },
    { name: 'another length', answer: () => rtu(1, registers(4, 5)), events: ['DEVICE_TIMEOUT', null, 1] },
    { name: 'garbage', answer: () => Uint8Array.of(0, 9, 9, 9, 9, 9, 9), events: ['DEVICE_TIMEOUT', null, 1] },
    { name: 'half an answer', answer: () => good(4).subarray(0, 5), events: ['DEVICE_TIMEOUT', null, 1] },
    { name: 'a wrong checksum', answer: () => good(4).with(4, 99), events: ['FRAME_CHECKSUM', null, 1] },
    { name: 'an exception', answer: () => rtu(1, Uint8Array.of(0x83, 2)), events: ['DEVICE_ERROR', null, 1], message: 'holding registers 0 to 0 of unit 1: exception 2, illegal data address' },
    { name: 'a late answer', answer: () => ({ afterMs: 180, bytes: good(4) }), events: ['DEVICE_TIMEOUT', null, 1] },
  ];

  it.each(wrong)('$name', async ({ answer, events: expected, message }) => {
    let call = 0;
    const { started, pass, events } = polledBench(modbusRtu, { poll: { rateHz: 2, timeoutMs: 100, quietMs: 100 }, channels: [{ ...CHANNEL, scale: 1 }] }, () => {
      call++;
      return call === 3 ? answer(call) : good(call);
    });
    await started();
    await pass(1_200);
    expect(told(events)).toEqual([[0, 2], expected, [0, 4]]);
    const fault = events[1]!;
    if (message !== undefined) expect(fault.kind === 'fault' && fault.error.message).toBe(message);
  });
});

describe('values', () => {
  it.each([
    [{ type: 'f32' }, [0x7fc0, 0], 'VALUE_NOT_FINITE'], [{ type: 'f32' }, [0x7f80, 0], 'VALUE_OVERLOAD'], [{ type: 'f32' }, [0xff80, 0], 'VALUE_OVERLOAD'],
    [{ type: 'f32' }, [0x7f00, 0], 'VALUE_NOT_FINITE'], [{ type: 'i16', overload: [32_767, -32_768] }, [0x8000], 'VALUE_OVERLOAD'],
  ])('%j %j are none: %s', async (channel, raw, code) => {
    const { started, pass, events } = polledBench(modbusRtu, { poll: { rateHz: 1 }, channels: [{ address: 0, ...channel }] }, () => rtu(1, registers(...raw)));
    await started();
    await pass(10);
    expect(told(events)).toEqual([[code, 0, 1]]);
  });
});

describe('a dead unit', () => {
  it('does not stop the others: it is asked once a second, and each of its samples is missing', async () => {
    const { started, pass, events, far } = polledBench(modbusRtu, {
      poll: { rateHz: 10, timeoutMs: 20, quietMs: 20 }, channels: [{ ...CHANNEL, scale: 1 }, { ...CHANNEL, scale: 1, unit: 9 }],
    }, (message) => (message[0] === 1 ? rtu(1, registers(1)) : null));
    await started();
    await pass(2_950);
    const samples = [0, 0];
    for (const event of events) for (const channel of event.channel === null ? [0, 1] : [event.channel]) samples[channel]! += event.kind === 'values' ? event.values.length : event.missing;
    expect(samples).toEqual([30, 30]);
    expect(events.filter((event) => event.kind === 'values').every((event) => event.channel === 0)).toBe(true);
    expect(far.written.filter((bytes) => bytes[0] === 9).length).toBeLessThan(8);
  });
});

describe('commands', () => {
  const options = {
    poll: { rateHz: 10 }, channels: [CHANNEL],
    commands: { zero: { address: 100, values: [1] }, start: { function: 16, address: 200, values: [1, 2] }, stop: { address: 201, values: [0] } },
  };
  const device = (message: Uint8Array): DeviceAnswer => (message[1] === 3 ? rtu(1, registers(1)) : rtu(1, message.slice(1, 6)));

  it('start, zero and stop write registers', async () => {
    const { started, pass, session, far, events } = polledBench(modbusRtu, options, device);
    await started();
    const done = session.command({ kind: 'zero' });
    await pass(20);
    await done;
    await session.stop();
    const writes = far.written.filter((bytes) => bytes[1] !== 3).map((bytes) => Buffer.from(bytes.subarray(0, -2)).toString('hex'));
    expect(writes).toEqual(['011000c800020400010002', '010600640001', '010600c90000']);
    expect(events.every((event) => event.kind === 'values')).toBe(true);
  });

  it('that are refused, confirmed wrongly or not set, fail', async () => {
    let answer = (message: Uint8Array): DeviceAnswer => device(message);
    const { started, session, pass } = polledBench(modbusRtu, options, (message) => answer(message));
    await started();
    answer = (message) => (message[1] === 3 ? device(message) : rtu(1, Uint8Array.of(0x86, 3)));
    const refused = expect(session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'DEVICE_ERROR', message: 'writing register 100 of unit 1: exception 3, illegal data value' });
    await pass(20);
    await refused;
    answer = (message) => (message[1] === 3 ? device(message) : rtu(1, Uint8Array.of(6, 0, 100, 0, 2)));
    const other = expect(session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'DEVICE_ERROR' });
    await pass(20);
    await other;
    await expect(session.command({ kind: 'send', text: 'X' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED' });
    const bare = polledBench(modbusRtu, { poll: { rateHz: 10 }, channels: [CHANNEL] }, device);
    await bare.started();
    await expect(bare.session.command({ kind: 'zero' })).rejects.toMatchObject({ code: 'COMMAND_UNSUPPORTED' });
  });
});

describe('modbus-tcp', () => {
  const options = { poll: { rateHz: 2, timeoutMs: 100, quietMs: 20 }, channels: [{ ...CHANNEL, scale: 1, unit: 255 }] };

  it('takes an answer with another transaction for none, however late it is', async () => {
    let call = 0;
    const { started, pass, events, far } = polledBench(modbusTcp, options, (message, clock) => {
      call++;
      const frame = mbapFrame((message[0]! << 8) | message[1]!, 255, registers(call));
      if (call !== 3) return frame;
      // It arrives when the next question is under way already, and before its answer.
      clock.after(500, () => far.deliver(frame));
      return null;
    });
    await started();
    far.deliver(mbapFrame(0xffff, 255, registers(77)));
    await pass(1_200);
    expect(told(events)).toEqual([[0, 2], ['DEVICE_TIMEOUT', null, 1], [0, 4]]);
  });

  it('counts transactions round', async () => {
    const seen: number[] = [];
    const { started, pass } = polledBench(modbusTcp, { ...options, poll: { asFastAsAnswered: true } }, (message) => {
      seen.push((message[0]! << 8) | message[1]!);
      return mbapFrame(seen.at(-1)!, 255, registers(1));
    });
    await started();
    await pass(20);
    expect(seen.length).toBeGreaterThan(10);
    expect(seen).toEqual(seen.map((_, i) => seen[0]! + i));
  });
});

describe('the beginning and the end', () => {
  it('nobody answers', async () => {
    const { started } = polledBench(modbusRtu, { poll: { rateHz: 10, timeoutMs: 50 }, channels: [CHANNEL] }, () => null);
    await expect(started()).rejects.toMatchObject({ code: 'DEVICE_TIMEOUT' });
  });

  it('one of several units is enough', async () => {
    const { started } = polledBench(modbusRtu, { poll: { rateHz: 10, timeoutMs: 50 }, channels: [CHANNEL, { ...CHANNEL, unit: 2 }] }, (message) => (message[0] === 2 ? rtu(2, registers(1)) : null));
    expect(await started()).toBeNull();
  });

  it('a stop during a request leaves no timer and tells nothing', async () => {
    const { started, session, events, clock, far, isComplete } = polledBench(modbusRtu, { poll: { rateHz: 10 }, channels: [CHANNEL] }, () => ({ afterMs: 20, bytes: rtu(1, registers(1)) }));
    await started();
    await session.stop();
    const count = events.length;
    clock.advance(1_000);
    await settled();
    expect([events.length - count, clock.pendingTimers, isComplete(), far.isOpen]).toEqual([0, 0, true, true]);
  });
});

describe('options', () => {
  it.each([
    [{ poll: { rateHz: 10 } }, ['channels']],
    [{ poll: { rateHz: 10 }, channels: [{ address: 65_535, type: 'f32' }] }, ['channels', 0, 'address']],
    [{ poll: { rateHz: 10 }, channels: [{ ...CHANNEL, unit: 0 }] }, ['channels', 0, 'unit']],
    [{ poll: { rateHz: 10 }, channels: [{ ...CHANNEL, scale: 0 }] }, ['channels', 0, 'scale']],
    [{ poll: { rateHz: 10 }, channels: [CHANNEL], commands: { zero: { address: 1, values: [1, 2] } } }, ['commands', 'zero', 'values']],
  ])('%j is refused with its place', (options, path) => {
    expect(modbusRtu.optionsSchema.safeParse(options).error?.issues[0]?.path).toEqual(path);
  });
});
