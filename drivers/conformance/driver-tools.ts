/** What the clauses of drivers that stream and of those that ask have in common. */
import assert from 'node:assert/strict';
import type { DriverDefinition, DriverEvent, DriverSession, InstrumentCommand, InstrumentIdentity } from '../api.ts';
import type { MemoryFarEnd } from '../links/memory-link.ts';
import type { ByteLink } from '../links/link.ts';
import { systemClock, type Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { torqueUnit } from '../../shared/units.ts';
import type { ManualClock } from './manual-clock.ts';

/** What one sample is to be, beside the bytes that carry it. */
export interface ExpectedSample {
  /** As decimal text per channel, compared exactly; null: the sample is missing. */
  readonly values: readonly (string | null)[];
  /** UCUM code per channel; null: the device names none. Left out: not compared. */
  readonly units?: readonly (string | null)[];
  /** STATUS bits per channel. Left out: not compared. */
  readonly status?: readonly number[];
}

/** A command that the driver declares, and how it shows at the device. */
export interface CommandHarness {
  readonly command: InstrumentCommand;
  readonly isWritten: (message: Uint8Array) => boolean;
}

export const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

/** Per channel what came, missing samples as null. */
export function samplesOf(events: readonly DriverEvent[], channels: number): (number | null)[][] {
  return perChannel(channels, events, (event) => [...event.values]);
}

export function expectedSamples(list: readonly ExpectedSample[], channels: number): (number | null)[][] {
  return Array.from({ length: channels }, (_, channel) => list.map(({ values }) => {
    const text = values[channel];
    return text == null ? null : Number(text);
  }));
}

/** @throws AssertionError that names the first sample that differs, and what came around it */
export function assertSamples(events: readonly DriverEvent[], expected: readonly (readonly (number | null)[])[], what = ''): void {
  const came = samplesOf(events, expected.length);
  expected.forEach((list, channel) => {
    const got = came[channel]!;
    const at = Array.from({ length: Math.max(list.length, got.length) }, (_, i) => i).find((i) => !Object.is(list[i], got[i]));
    if (at === undefined) return;
    const told = got.slice(0, LISTED).map(sampleText).join(', ') + (got.length > LISTED ? ', ...' : '');
    assert.fail(`${what === '' ? '' : `${what}: `}channel ${channel + 1}, sample ${at + 1}: expected ${sampleText(list[at])}, got ${sampleText(got[at])}; in all ${got.length} of ${list.length} samples came: ${told || 'none'}${faultText(events)}`);
  });
}

const LISTED = 8;

function sampleText(value: number | null | undefined): string {
  if (value === undefined) return 'no more';
  return value === null ? 'a missing one' : Object.is(value, -0) ? '-0' : String(value);
}

/** The faults that were told, for the end of a message. */
export function faultText(events: readonly DriverEvent[]): string {
  const told = events.filter((event) => event.kind === 'fault').map(({ error, missing }) => `${error.code} "${error.message}", ${missing} missing`);
  return told.length === 0 ? '' : `; faults told: ${told.slice(0, LISTED).join(', ')}${told.length > LISTED ? ', ...' : ''}`;
}

/** What came of a session's events beside themselves. */
export interface EventsState {
  isComplete: boolean;
  /** What events$ ended with, which must never happen. */
  failure: Error | null;
}

export function asError(thrown: unknown): Error {
  return thrown instanceof Error ? thrown : new Error(JSON.stringify(thrown));
}

/** @throws AssertionError with what the driver threw, when bytes made it throw and so ended the link */
export async function assertNothingThrown({ link, far, state }: { readonly link: ByteLink; readonly far: MemoryFarEnd; readonly state: EventsState }): Promise<void> {
  if (state.failure !== null) assert.fail(`events$ must never error, but did: ${state.failure.message}`);
  if (far.isOpen) return;
  const end = await link.ended;
  const why = end.reason === 'lost' ? (end.error.cause instanceof Error ? end.error.cause : end.error).toString() : end.reason;
  assert.fail(`the driver was to take any bytes, but threw and so ended the link: ${why}`);
}

/** What a session left behind when it ended. @throws AssertionError that names it; listeners are those on the signal */
export function assertNothingLeft(left: { readonly timers: number; readonly listeners?: number; readonly isOpen?: boolean }, when: string): void {
  assert.equal(left.timers, 0, `${when}: no timer was to be left, but ${left.timers} run`);
  assert.equal(left.listeners ?? 0, 0, `${when}: no listener was to be left on the signal, but ${left.listeners} are`);
  assert.ok(left.isOpen ?? true, `${when}: the link was to stay open, but was closed`);
}

export function hexText(bytes: Uint8Array): string {
  return Buffer.from(bytes).toString('hex').replace(/(..)(?=.)/g, '$1 ');
}

/** Every sample of `events` has the unit and the status of its vector, where the vector gives them. */
export function assertUnitsAndStatus(events: readonly DriverEvent[], vectors: readonly ExpectedSample[], channels: number): void {
  for (const unit of vectors.flatMap(({ units: codes }) => codes ?? [])) {
    if (unit === null) continue;
    try {
      torqueUnit(unit);
    } catch (thrown) {
      assert.fail(`a vector expects a unit that the gateway does not know: ${(thrown as Error).message}`);
    }
  }
  const units = perChannel(channels, events, (event) => Array.from(event.values, () => event.unit));
  const status = perChannel(channels, events, (event) => Array.from(event.values, (_, i) => event.status?.[i] ?? 0));
  vectors.forEach((vector, i) => {
    for (let channel = 0; channel < channels; channel++) {
      if (vector.values[channel] === null) continue;
      const [unit, bits] = [units[channel]![i], status[channel]![i]];
      const what = (word: string, wanted: unknown, got: unknown): string => `${word} of sample ${i + 1}, channel ${channel + 1}: expected ${String(wanted)}, got ${String(got)}`;
      if (vector.units) assert.equal(unit, vector.units[channel], what('unit', vector.units[channel], unit));
      if (vector.status) assert.equal(bits, vector.status[channel], what('status', vector.status[channel], bits));
    }
  });
}

const MOST_MISSING = 100_000;

function perChannel<Item>(channels: number, events: readonly DriverEvent[], items: (event: DriverEvent & { kind: 'values' }) => readonly Item[]): (Item | null)[][] {
  const all: (Item | null)[][] = Array.from({ length: channels }, () => []);
  for (const event of events) {
    const { channel } = event;
    if (channel !== null && !(channel in all)) assert.fail(`event for channel ${channel + 1}, but channelCount says ${channels}`);
    if (event.kind === 'values') {
      for (const item of items(event)) all[event.channel]!.push(item);
      continue;
    }
    if (!(Number.isSafeInteger(event.missing) && event.missing >= 0)) assert.fail(`a fault tells ${event.missing} missing samples, which is no count`);
    // No vector lacks so many; what is told beyond that shows as well without being listed.
    const missing = Math.min(event.missing, MOST_MISSING);
    for (const list of channel === null ? all : [all[channel]!]) for (let i = 0; i < missing; i++) list.push(null);
  }
  return all;
}

/** @throws AssertionError when the schema takes the wrong options or refuses the right ones */
export function assertSchema<Options>(driver: DriverDefinition<Options>, options: Options, wrongOptions: unknown): void {
  const parsed = driver.optionsSchema.safeParse(wrongOptions);
  assert.ok(!parsed.success && parsed.error.issues.length > 0, 'the schema took wrongOptions, which it was to refuse');
  const right = driver.optionsSchema.safeParse(options);
  assert.ok(right.success, `the schema refused the options of the harness: ${right.error?.issues.map(({ path, message }) => `${path.join('.')}: ${message}`).join('; ')}`);
}

/** 64 KiB that no protocol means; the same each time. */
export function noise(): Uint8Array {
  let state = 1;
  return Uint8Array.from({ length: 64 * 1024 }, () => (state = (Math.imul(state, 1_103_515_245) + 12_345) >>> 0) >>> 16);
}

export const NOISE_ROUNDS = 160;
/** 10 MB in this processor time, whatever else the machine does. */
export const NOISE_LIMIT_MS = 2_000;

/** Processor time that `work` takes, ms. */
export function processorMs(work: () => void): number {
  const before = process.cpuUsage();
  work();
  const spent = process.cpuUsage(before);
  return (spent.user + spent.system) / 1e3;
}

/** The real clock, and how many of its timers run. */
export function countingClock(): { clock: Clock; timers: () => number } {
  let timers = 0;
  const clock: Clock = {
    monoMs: () => systemClock.monoMs(), wallMs: () => systemClock.wallMs(),
    after: (delayMs, callback) => {
      let isRunning = true;
      timers++;
      const over = (): boolean => {
        const was = isRunning;
        if (was) timers--;
        isRunning = false;
        return was;
      };
      const cancel = systemClock.after(delayMs, () => over() && callback());
      return () => void (over() && cancel());
    },
  };
  return { clock, timers: () => timers };
}

const COMMANDS: readonly InstrumentCommand[] = [{ kind: 'zero' }, { kind: 'send', text: 'X' }];

/** What the driver does not declare it refuses, and writes nothing. */
export async function assertUndeclaredRefused<Options>(driver: DriverDefinition<Options>, session: DriverSession, far: MemoryFarEnd): Promise<void> {
  const before = far.written.length;
  for (const command of COMMANDS.filter(({ kind }) => !driver.capabilities.commands.includes(kind))) {
    const thrown = await session.command(command).then(() => null, (error: unknown) => error);
    assert.ok(thrown instanceof TorsiondError && thrown.code === 'COMMAND_UNSUPPORTED', `"${command.kind}" was ${thrown instanceof Error ? `refused with ${thrown.message}` : 'taken'}`);
  }
  assert.equal(far.written.length, before, 'something was written');
}

/** A start may take so long when nobody answers. */
const START_LIMIT_MS = 60_000;

/** Starts while the clock is moved on, so that a start that waits comes to its end. Settles as the start did. */
export async function startedBy(session: DriverSession, clock: ManualClock, stepMs = 10): Promise<InstrumentIdentity | null> {
  let isSettled = false;
  const starting = session.start().finally(() => {
    isSettled = true;
  });
  starting.catch(() => {});
  const endMs = clock.monoMs() + START_LIMIT_MS;
  for (let i = 0; !isSettled && clock.monoMs() < endMs; i++) {
    await turn();
    if (i >= 10 && !isSettled) clock.advance(stepMs);
  }
  assert.ok(isSettled, `start has not settled after ${START_LIMIT_MS / 1_000} s`);
  return starting;
}

export function commandOf(command: CommandHarness | undefined, id: string): CommandHarness {
  if (!command) throw new Error(`the driver ${id} declares commands; give one of them as "command"`);
  return command;
}
