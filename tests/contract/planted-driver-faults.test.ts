/** The gateway's own line driver with a fault around it breaks the clause that names it, and the report says what came. */
import { map } from 'rxjs';
import { describe, expect, it } from 'vitest';
import { defineDriver, type DriverEvent, type DriverSession } from '../../drivers/api.ts';
import { runDriverClauses, type AnyDriverHarness } from '../../drivers/conformance/index.ts';
import { asciiLines } from '../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../drivers/protocols/ascii-lines/options.ts';

type Context = Parameters<typeof asciiLines.createSession>[0];
type Options = Context['options'];
type Change = (session: DriverSession, context: Context) => Partial<DriverSession>;

const bytes = (text: string): Uint8Array => Buffer.from(text, 'latin1');
const identity = { maker: 'Hollin & Fenn', model: 'HF-L1', serialNumber: '0007', firmware: '1.0' };

function driverWith(change: Change): typeof asciiLines {
  return defineDriver({ ...asciiLines, createSession: (context) => {
    const inner = asciiLines.createSession(context);
    const outer: DriverSession = {
      events$: inner.events$, start: () => inner.start(), command: (command) => inner.command(command), stop: () => inner.stop(), counters: () => inner.counters(),
    };
    return { ...outer, ...change(inner, context) };
  } });
}

/** The same driver with options that make it ask. */
function plantedAsked(change: Change): AnyDriverHarness<Options> {
  return {
    driver: driverWith(change),
    options: AsciiLinesOptions.parse({ poll: { rateHz: 10, timeoutMs: 40, quietMs: 40, request: 'M' }, commands: { start: 'GO', stop: 'HALT' } }), wrongOptions: { poll: { request: 'M' } },
    isPoll: (message) => Buffer.from(message).toString() === 'M\r\n', startPolls: 1, other: () => null,
    startCommand: bytes('GO\r\n'), stopCommand: bytes('HALT\r\n'), identity: null,
    vectors: [{ answer: () => bytes('12.5\n'), values: ['12.5'] }, { answer: () => bytes('-0.25\n'), values: ['-0.25'] }],
    bad: () => bytes('?#!\n'),
    command: { command: { kind: 'send', text: 'TARE' }, isWritten: (message) => Buffer.from(message).toString() === 'TARE\r\n' },
  };
}

function planted(change: Change, part: Partial<Extract<AnyDriverHarness<Options>, { resync: Uint8Array }>> = {}): AnyDriverHarness<Options> {
  return {
    driver: driverWith(change),
    options: AsciiLinesOptions.parse({ ignore: '^$', commands: { identify: { send: 'ID', timeoutMs: 50, tries: 1 }, start: 'GO', stop: 'HALT', zero: 'Z' } }),
    wrongOptions: { delimiter: '' },
    answer: (message) => (Buffer.from(message).toString() === 'ID\r\n' ? bytes('Hollin & Fenn,HF-L1,0007,1.0\n') : null),
    startCommand: bytes('GO\r\n'), stopCommand: bytes('HALT\r\n'), identity,
    resync: bytes('\n'), bad: bytes('?#!\n'),
    vectors: [{ bytes: bytes('12.5\n'), values: ['12.5'] }, { bytes: bytes('-0.25 cNm\n'), values: ['-0.25'], units: ['cN.m'] }],
    command: { command: { kind: 'zero' }, isWritten: (message) => Buffer.from(message).toString() === 'Z\r\n' },
    ...part,
  };
}

const changed = (change: (event: DriverEvent) => DriverEvent): Change => (session) => ({ events$: session.events$.pipe(map(change)) });

async function brokenOf(harness: AnyDriverHarness<Options>): Promise<Record<string, string | null>> {
  const { clauses } = await runDriverClauses(harness);
  return Object.fromEntries(clauses.filter(({ result }) => result === 'broken').map(({ id, detail }) => [id, detail]));
}

describe('a driver that streams', () => {
  it('keeps every promise as it is', async () => {
    expect(await brokenOf(planted(() => ({})))).toEqual({});
  });

  it.each([
    ['counts a bad line as nothing', 0, 'expected a missing one, got -0.25'],
    ['counts a bad line as seven', 7, 'expected -0.25, got a missing one'],
    ['counts a bad line as more than any array holds', 4_000_000_000, 'expected -0.25, got a missing one'],
  ])('that %s breaks D4 alone', async (_name, missing, words) => {
    // Two vectors, so that what is missing can be told from what came.
    const harness = planted(changed((event) => (event.kind === 'fault' ? { ...event, missing } : event)), { afterBad: { bytes: bytes('-0.25\n'), values: ['-0.25'] } });
    const broken = await brokenOf(harness);
    expect(Object.keys(broken)).toEqual(['D4']);
    expect(broken.D4).toContain(words);
    expect(broken.D4).toContain(`${missing} missing`);
  });

  it('that has more channels than it says is told so', async () => {
    const broken = await brokenOf(planted(changed((event) => ({ ...event, channel: 1 }))));
    expect(broken.D2).toBe('event for channel 2, but channelCount says 1');
  });

  it('that never gives the identity breaks D23 alone', async () => {
    const broken = await brokenOf(planted((session) => ({ start: async () => {
      await session.start();
      return null;
    } })));
    expect(broken).toEqual({ D23: expect.stringContaining(`was to give ${JSON.stringify(identity)}, but gave null`) as string });
  });

  it('that identifies needs the identity in its harness', async () => {
    const { identity: _, ...harness } = planted(() => ({})) as AnyDriverHarness<Options> & { identity: unknown };
    expect(await brokenOf(harness as AnyDriverHarness<Options>)).toEqual({ D23: expect.stringContaining('give "identity"') as string });
  });

  it('with vectors of a unit that the gateway does not know breaks D17, even where the driver tells the same', async () => {
    const unit = '[in_i].[lbf_av]';
    const harness = planted(changed((event) => (event.kind === 'values' && event.unit !== null ? { ...event, unit } : event)), {
      vectors: [{ bytes: bytes('12.5\n'), values: ['12.5'] }, { bytes: bytes('-0.25 cNm\n'), values: ['-0.25'], units: [unit] }],
    });
    const broken = await brokenOf(harness);
    expect(Object.keys(broken)).toEqual(['D17']);
    expect(broken.D17).toMatch(/^a vector expects a unit that the gateway does not know: "\[in_i\]\.\[lbf_av\]" is not a torque unit; known are N\.m/);
  });

  it('whose events fail is told so', async () => {
    const broken = await brokenOf(planted(changed((event) => {
      if (event.kind === 'fault') throw new RangeError('what is this?');
      return event;
    })));
    expect(broken.D4).toBe('events$ must never error, but did: what is this?');
  });
});

describe('a driver that asks', () => {
  it('keeps every promise as it is', async () => {
    expect(await brokenOf(plantedAsked(() => ({})))).toEqual({});
  });

  it.each<[name: string, clause: string, words: string, change: Change]>([
    ['tells the device to stop with every stop()', 'P22', 'after stop() the stop command (48 41 4c 54 0d 0a) was to have been written once, but was 3 times', (session, { link }) => ({ stop: async () => {
      await session.stop();
      await link.write(bytes('HALT\r\n')).catch(() => {});
    } })],
    ['names somebody who was never asked', 'P23', `was to give null, but gave ${JSON.stringify(identity)}`, (session) => ({ start: async () => {
      await session.start();
      return identity;
    } })],
    ['counts what is not a number', 'P24', 'counters().discardedBytes was to be a whole number of at least 0 before the start, but is NaN', (session) => ({ counters: () => ({ ...session.counters(), discardedBytes: Number.NaN }) })],
  ])('that %s breaks %s', async (_name, clause, words, change) => {
    const broken = await brokenOf(plantedAsked(change));
    expect(broken[clause]).toContain(words);
    // A second stop command is also one that comes after the end.
    expect(Object.keys(broken).filter((id) => !['P11', 'P15'].includes(id))).toEqual([clause]);
  });

  it.each([0, 7])('that counts an answer which says nothing as %i breaks P6', async (missing) => {
    const broken = await brokenOf(plantedAsked(changed((event) => (event.kind === 'fault' ? { ...event, missing } : event))));
    expect(broken.P6).toContain(`${missing} missing`);
  });
});
