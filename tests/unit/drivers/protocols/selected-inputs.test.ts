/** Devices with one converter and several inputs: no channel ever gets the value of another. */
import { describe, expect, it } from 'vitest';
import type { DriverDefinition } from '../../../../drivers/api.ts';
import { asciiLines } from '../../../../drivers/protocols/ascii-lines/driver.ts';
import { scpi } from '../../../../drivers/protocols/scpi/driver.ts';
import type { TorsiondError } from '../../../../shared/errors.ts';
import { LineFormat } from '../../../../simulator/instruments/line-format.ts';
import { LineInstrument } from '../../../../simulator/instruments/line-instrument.ts';
import { ScpiFormat, ScpiInstrument } from '../../../../simulator/instruments/scpi-instrument.ts';
import type { SimulatedPort } from '../../../../simulator/ports/port.ts';
import type { ManualClock } from '../../../helpers/manual-clock.ts';
import { polledBench, type PolledBench } from '../../../helpers/polled-bench.ts';
import { seeded } from '../../../helpers/seeded.ts';

const INPUTS = 3;
const SETTLE_MS = 15;

/** Between host and instrument: what happens to a message on its way; null: it is lost. */
type Fate = (direction: 'there' | 'back', bytes: Uint8Array) => { readonly delayMs: number; readonly bytes: Uint8Array } | null;
const sound: Fate = (_, bytes) => ({ delayMs: 0, bytes });

interface Rig extends PolledBench {
  /** Whole parts of the values per channel, which are its number from 1; missing ones are null. */
  values(): (number | null)[][];
}

/** An instrument of the simulator whose input n shows n + 0.001 × the number of its sample. */
function rig(kind: 'lines' | 'scpi', options: object, fate: Fate = sound, confirms = true): Rig {
  const driver = (kind === 'lines' ? asciiLines : scpi) as unknown as DriverDefinition;
  let hear: (bytes: Uint8Array) => void = () => {};
  let made: { bench: PolledBench; clock: ManualClock } | null = null;
  const travel = (direction: 'there' | 'back', bytes: Uint8Array, arrive: (bytes: Uint8Array) => void): void => {
    const found = fate(direction, bytes);
    if (!found) return;
    if (found.delayMs === 0) arrive(found.bytes);
    else made!.clock.after(found.delayMs, () => arrive(found.bytes));
  };
  const bench = polledBench(driver, options, (message) => {
    travel('there', message, (bytes) => hear(bytes));
    return null;
  });
  const { clock, far } = bench;
  made = { bench, clock };
  const port: SimulatedPort = {
    address: { kind: 'serial', path: 'memory' }, backlogBytes: 0, isPluggedIn: true,
    counters: { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 },
    write: (bytes) => travel('back', bytes, (arrived) => far.isOpen && far.deliver(arrived)),
    onData: (listener) => { hear = listener; },
    unplug: async () => {}, replug: async () => {}, close: async () => {},
  };
  const parts = {
    port, clock, rateHz: 1_000, selector: { command: 'CH', confirms, settleMs: SETTLE_MS },
    channels: Array.from({ length: INPUTS }, (_, i) => {
      let sample = 0;
      return { source: { next: () => i + 1 + (++sample % 900) / 1_000, isSaturated: false, zero: () => {} }, shown: { factor: 1, offset: 0 } };
    }),
  };
  const commands = { start: null, stop: null, zero: 'ZERO', identify: null, read: 'READ', dataSheet: null, acknowledge: '', unknown: '', identity: '' };
  const instrument = kind === 'lines'
    ? new LineInstrument({ ...parts, format: LineFormat.parse({}), commands, pace: 'clock', startsByItself: false })
    : new ScpiInstrument({ ...parts, format: ScpiFormat.parse({ answerMs: 1 }) });
  instrument.switchOn();
  return {
    ...bench,
    values: () => {
      const all: (number | null)[][] = Array.from({ length: INPUTS }, () => []);
      for (const event of bench.events) {
        if (event.kind === 'values') all[event.channel]!.push(...Array.from(event.values, Math.floor));
        else all.forEach((list, channel) => (event.channel === null || event.channel === channel) && list.push(...Array<null>(event.missing).fill(null)));
      }
      return all;
    },
  };
}

const poll = { rateHz: 10, timeoutMs: 40, quietMs: 40 };
const lineOptions = (settleMs: number, confirmed = true): object => ({
  poll: { ...poll, request: 'READ', inputs: Array.from({ length: INPUTS }, (_, i) => ({ select: { send: `CH${i + 1}`, settleMs, ...(confirmed && { answer: `^CH${i + 1}$` }) } })) },
  commands: { zero: 'ZERO' },
});
const scpiOptions = (settleMs: number, errors: object = {}): object => ({
  poll, errors, queries: Array.from({ length: INPUTS }, (_, i) => ({ text: 'READ?', select: { send: `ROUT:SEL ${i + 1};:ROUT:SEL?`, answer: `^${i + 1}$`, settleMs } })),
});
const KINDS = [['lines', lineOptions], ['scpi', scpiOptions]] as const;

const own = (count: number): number[][] => Array.from({ length: INPUTS }, (_, i) => Array<number>(count).fill(i + 1));
/** Values that are another channel's. */
const strangers = (values: readonly (number | null)[][]): number => values.flatMap((list, channel) => list.filter((value) => value !== null && value !== channel + 1)).length;

describe.each(KINDS)('%s: inputs are selected, settle and are read', (kind, options) => {
  it('each value is its own channel\'s, at the declared rate, at even times', async () => {
    const made = rig(kind, options(SETTLE_MS));
    await made.started();
    await made.pass(2_980);
    expect(made.values()).toEqual(own(30));
    const times = made.events.flatMap((event) => (event.kind === 'values' && event.channel === 1 ? [event.atMs] : []));
    expect(new Set(times.slice(1).map((atMs, i) => Math.round(atMs - times[i]!)))).toEqual(new Set([100]));
  });

  it('the simulated converter does show the old input, so that a setting which is too short is seen', async () => {
    const made = rig(kind, options(0));
    await made.started();
    await made.pass(950);
    expect(strangers(made.values())).toBeGreaterThan(5);
  });

  it('a selection that is lost gives a missing sample, never the value of another input', async () => {
    let selections = 0;
    const made = rig(kind, options(SETTLE_MS), (direction, bytes) => {
      const isSelection = direction === 'there' && /^(CH|ROUT)/.test(Buffer.from(bytes).toString());
      return isSelection && ++selections % 4 === 0 ? null : { delayMs: 0, bytes };
    });
    await made.started();
    await made.pass(3_950);
    const values = made.values();
    expect(strangers(values)).toBe(0);
    expect(values.flat().filter((value) => value === null).length).toBeGreaterThan(10);
    expect(values.flat().filter((value) => value !== null).length).toBeGreaterThan(40);
  });

  it('a command that selects another input goes between, and is undone before the next value', async () => {
    const made = rig(kind, options(SETTLE_MS));
    await made.started();
    for (let i = 0; i < 40; i++) {
      await made.pass(37);
      void made.session.command({ kind: 'send', text: kind === 'lines' ? 'CH3' : 'ROUT:SEL 3' }).catch(() => {});
    }
    await made.pass(500);
    const values = made.values();
    expect(strangers(values)).toBe(0);
    for (const list of values) expect(list.filter((value) => value !== null).length).toBeGreaterThan(8);
  });

  it.each([1, 2, 3, 4, 5, 6])('on a line that loses, delays and breaks messages no value is another channel\'s (seed %i)', async (seed) => {
    const random = seeded(seed);
    let isRough = false;
    const made = rig(kind, options(SETTLE_MS), (_, bytes) => {
      const fate = isRough ? random() : 1;
      if (fate < 0.04) return null;
      // Late by no more than the time limit and the quiet time together.
      if (fate < 0.12) return { delayMs: 1 + Math.floor(35 * random()), bytes };
      if (fate < 0.16) return { delayMs: 0, bytes: Uint8Array.from(bytes, (byte, i) => (i === 1 ? byte ^ 0x20 : byte)) };
      return { delayMs: 0, bytes };
    });
    await made.started();
    isRough = true;
    await made.pass(6_000);
    const values = made.values();
    expect(strangers(values)).toBe(0);
    expect(values.flat().filter((value) => value === null).length).toBeGreaterThan(0);
    expect(values.flat().filter((value) => value !== null).length).toBeGreaterThan(30);
  });
});

describe('selections that the device does not answer', () => {
  it('are read after the settling time', async () => {
    const made = rig('lines', lineOptions(SETTLE_MS, false), sound, false);
    await made.started();
    await made.pass(1_950);
    expect(made.values()).toEqual(own(20));
  });

  it('leave in turn with the questions, and nothing comes between them', async () => {
    const made = rig('lines', lineOptions(SETTLE_MS, false), sound, false);
    await made.started();
    const before = made.sent().length;
    await made.pass(5);
    const command = made.session.command({ kind: 'zero' }).then(() => 'sent', (error: unknown) => (error as TorsiondError).code);
    await made.pass(90);
    expect([await command, made.sent().slice(before - 1).map((text) => text.trim())]).toEqual(['sent', ['CH1', 'READ', 'ZERO', 'CH2', 'READ', 'CH3', 'READ']]);
  });
});

describe('the settings', () => {
  it('refuse a rate that settling alone makes impossible, and say which is possible', () => {
    for (const [driver, options] of [[asciiLines, lineOptions], [scpi, scpiOptions]] as const) {
      const { error } = (driver as unknown as DriverDefinition).optionsSchema.safeParse(options(40));
      expect(error?.issues.map(({ path, message }) => [path.join('.'), message])).toEqual([['poll.rateHz', expect.stringContaining('at most 8.3 times')]]);
    }
  });

  it('count one channel per input, and take answers that carry one', () => {
    const driver = asciiLines as unknown as DriverDefinition;
    expect(driver.channelCount(driver.optionsSchema.parse(lineOptions(1)))).toBe(INPUTS);
    const { error } = driver.optionsSchema.safeParse({ ...lineOptions(1), channels: [{ column: 1 }, { column: 2 }] });
    expect(error?.issues[0]?.path).toEqual(['poll', 'inputs']);
  });

  it('an answer to a selection that asks nothing is refused', () => {
    const { error } = (scpi as unknown as DriverDefinition).optionsSchema.safeParse({ poll, queries: [{ text: 'READ?', select: { send: 'ROUT:SEL 1', answer: '^1$' } }] });
    expect(error?.issues[0]?.path).toEqual(['queries', 0, 'select', 'answer']);
  });

  it('inputs may be asked by questions of their own, with nothing to select', async () => {
    const made = polledBench(asciiLines, { poll: { ...poll, request: 'M?', inputs: [{ request: 'M1' }, {}] } }, (message) => ({ 'M1\r\n': '1.5\n', 'M?\r\n': '2.5\n' })[Buffer.from(message).toString()] ?? null);
    await made.started();
    await made.pass(150);
    expect(made.events.map((event) => (event.kind === 'values' ? [event.channel, ...event.values] : event.error.code))).toEqual([[0, 1.5], [1, 2.5], [0, 1.5], [1, 2.5]]);
  });
});
