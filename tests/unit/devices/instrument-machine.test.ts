import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { DEFAULT_RULES, INITIAL_STATE, backOffMs, stepMachine } from '../../../daemon/devices/instrument-machine.ts';
import type { MachineEffect, MachineInput, MachineRules, MachineState } from '../../../daemon/devices/instrument-machine.ts';
import { ERROR_TABLE, TorsiondError, type ErrorCode } from '../../../shared/errors.ts';
import { InstrumentState } from '../../../shared/wire/events.ts';

const RULES: MachineRules = { ...DEFAULT_RULES, hasPortList: true, settingsFault: null, where: '/dev/made-up', silenceMs: 2_000 };
const fault = (code: ErrorCode): TorsiondError => new TorsiondError(code, 'made up for the test');

/** Takes inputs one by one; `c` in them stands for the present connection. */
function run(inputs: readonly MachineInput[], rules: MachineRules = RULES, from: MachineState = INITIAL_STATE): { state: MachineState; effects: MachineEffect[] } {
  let state = from;
  const effects: MachineEffect[] = [];
  for (const input of inputs) {
    const step = stepMachine(state, 'connection' in input ? { ...input, connection: state.connection } : input, rules);
    state = step.state;
    effects.push(...step.effects);
  }
  return { state, effects };
}

const start: MachineInput = { kind: 'start' };
const present: MachineInput = { kind: 'port', isPresent: true, isChanged: false };
const gone: MachineInput = { kind: 'port', isPresent: false, isChanged: false };
const opened: MachineInput = { kind: 'opened', connection: 0 };
const closed: MachineInput = { kind: 'link-closed', connection: 0 };
const identified: MachineInput = { kind: 'identified', connection: 0 };
const due: MachineInput = { kind: 'timer', timer: 'state' };
const openFailed = (code: ErrorCode): MachineInput => ({ kind: 'open-failed', connection: 0, error: fault(code) });
const identifyFailed = (code: ErrorCode): MachineInput => ({ kind: 'identify-failed', connection: 0, error: fault(code) });
const lost: MachineInput = { kind: 'link-ended', connection: 0, error: fault('LINK_LOST') };
const silent: MachineInput = { kind: 'silent', connection: 0, error: fault('LINK_STALLED') };
const toStreaming = [start, present, opened, due, identified];
const waits = (effects: readonly MachineEffect[]): number[] =>
  effects.flatMap((effect) => (effect.kind === 'start-timer' && effect.jitter > 0 ? [effect.afterMs] : []));

describe('the way to streaming', () => {
  it('opens, settles, identifies, streams', () => {
    const names = toStreaming.map((_, i) => run(toStreaming.slice(0, i + 1)).state.name);
    expect(names).toEqual(['opening', 'opening', 'settling', 'identifying', 'streaming']);
    expect(run(toStreaming).state.epoch).toBe(1);
  });

  it('waits for quiet while a reset prints, and not for ever', () => {
    const bytes: MachineInput = { kind: 'bytes', connection: 0 };
    const settling = run([start, opened, bytes, bytes]);
    expect(settling.state.name).toBe('settling');
    expect(settling.effects.filter((effect) => effect.kind === 'start-timer' && effect.timer === 'quiet')).toHaveLength(3);
    expect(run([start, opened, bytes, { kind: 'timer', timer: 'quiet' }]).state.name).toBe('identifying');
    expect(run([start, opened, bytes, due]).state.name).toBe('identifying');
  });

  it('asks three times who is there, then closes and tries again later', () => {
    const { state, effects } = run([start, opened, due, due, identifyFailed('DEVICE_TIMEOUT'), due]);
    expect(effects.filter((effect) => effect.kind === 'start-driver').map((effect) => effect.attempt)).toEqual([1, 2, 3]);
    expect(state).toMatchObject({ name: 'waiting', link: 'closing', fault: { code: 'DEVICE_TIMEOUT' } });
  });

  it('tells a device that does not answer in time so, whatever it was asked', () => {
    const { state } = run([start, opened, due, due, due, due]);
    expect(state.fault).toMatchObject({ code: 'DEVICE_TIMEOUT', message: 'the device did not answer what it is asked at the start within 3000 ms' });
  });

  it('does not ask a broken driver twice', () => {
    expect(run([start, opened, due, identifyFailed('DRIVER_FAILED')]).state).toMatchObject({ name: 'waiting', tries: 1 });
  });
});

describe('loss and return', () => {
  it('announces the gap, closes the link and comes back after the back-off', () => {
    const { state, effects } = run([...toStreaming, lost]);
    expect(state).toMatchObject({ name: 'waiting', link: 'closing', fault: { code: 'LINK_LOST' } });
    expect(effects).toContainEqual({ kind: 'announce-gap', reason: 'lost' });
    expect(run([...toStreaming, lost, closed, due, opened]).state).toMatchObject({ name: 'settling', epoch: 2 });
  });

  it('after a cut announces the gap and opens again without a wait, which counts as no failure', () => {
    const cut: MachineInput = { kind: 'link-ended', connection: 0, error: fault('LINK_CUT') };
    const { state, effects } = run([...toStreaming, cut]);
    expect(state).toMatchObject({ name: 'waiting', link: 'closing', failures: 0, fault: { code: 'LINK_CUT' } });
    expect(effects).toContainEqual({ kind: 'announce-gap', reason: 'lost' });
    expect(effects.at(-1)).toEqual({ kind: 'start-timer', timer: 'state', afterMs: 0, jitter: 0 });
    expect(run([...toStreaming, cut, closed, due, opened, due, identified]).state).toMatchObject({ name: 'streaming', epoch: 2, failures: 0, fault: null });
  });

  it('says in the link\'s own words that there is no port', () => {
    const absence = new TorsiondError('LINK_NOT_FOUND', 'no page offers a port', { hint: 'Open the page.' });
    expect(run([start, gone, openFailed('LINK_NOT_FOUND'), present, opened, gone], { ...RULES, absence }).state.fault).toBe(absence);
  });

  it('doubles the back-off from 0.5 s up to 30 s, with jitter, for ever', () => {
    const { effects, state } = run([start, present, ...Array.from({ length: 40 }, () => [openFailed('LINK_BUSY'), due]).flat()]);
    expect(waits(effects).slice(0, 8)).toEqual([500, 1_000, 2_000, 4_000, 8_000, 16_000, 30_000, 30_000]);
    expect(waits(effects)).toHaveLength(40);
    expect(state.name).toBe('opening');
  });

  it('forgets failures only after steady streaming', () => {
    const failing = [start, present, openFailed('LINK_BUSY'), due, openFailed('LINK_BUSY'), due, opened, due, identified];
    expect(waits(run([...failing, lost]).effects).at(-1)).toBe(2_000);
    expect(waits(run([...failing, { kind: 'timer', timer: 'steady' }, lost]).effects).at(-1)).toBe(500);
  });

  it('does not open before the old link is closed', () => {
    const early = run([...toStreaming, lost, due]);
    expect(early.state).toMatchObject({ name: 'waiting', isDue: true, link: 'closing' });
    const after = run([...toStreaming, lost, due, closed]);
    expect(after.state).toMatchObject({ name: 'opening', link: 'opening', connection: 2 });
  });

  it('gives up a link that does not close', () => {
    const { state, effects } = run([...toStreaming, lost, due, { kind: 'timer', timer: 'close' }]);
    expect(effects).toContainEqual({ kind: 'abandon-link', connection: 1 });
    expect(state.name).toBe('opening');
  });

  it('is absent without a port, and opens the moment it appears', () => {
    expect(run([start, openFailed('LINK_NOT_FOUND')]).state.name).toBe('absent');
    expect(run([start, openFailed('LINK_NOT_FOUND'), gone]).state.name).toBe('absent');
    expect(run([start, openFailed('LINK_NOT_FOUND'), gone, present]).state.name).toBe('opening');
  });

  it('cuts a long back-off short when the port goes and comes back', () => {
    const failing = [start, present, ...Array.from({ length: 9 }, () => [openFailed('LINK_BUSY'), due]).flat(), openFailed('LINK_BUSY')];
    expect(run(failing).state.name).toBe('waiting');
    expect(run([...failing, gone]).state.name).toBe('absent');
    expect(run([...failing, gone, present]).state.name).toBe('opening');
    expect(run([...failing, { kind: 'port', isPresent: true, isChanged: true }]).state.name).toBe('opening');
  });

  it('takes a port that vanished for a loss although the link says nothing', () => {
    const { state, effects } = run([...toStreaming, gone]);
    expect(state).toMatchObject({ name: 'absent', link: 'closing' });
    expect(effects).toContainEqual({ kind: 'announce-gap', reason: 'lost' });
  });

  it('goes on waiting when opening finds no port that the list shows', () => {
    expect(run([start, present, openFailed('LINK_NOT_FOUND')]).state.name).toBe('waiting');
  });

  it('never ends in absent where there is no port list', () => {
    expect(run([start, openFailed('LINK_NOT_FOUND'), gone], { ...RULES, hasPortList: false }).state.name).toBe('waiting');
  });

  it('stops at the end of a recording', () => {
    expect(run([...toStreaming, { kind: 'link-ended', connection: 0, error: null }, closed]).state).toMatchObject({ name: 'stopped', link: 'none' });
  });
});

describe('silence', () => {
  it('stalls, and streams again with the next sample on the same connection', () => {
    const { state, effects } = run([...toStreaming, silent]);
    expect(state).toMatchObject({ name: 'stalled', link: 'open', fault: { code: 'LINK_STALLED' } });
    expect(effects).toContainEqual({ kind: 'announce-gap', reason: 'silence' });
    expect(run([...toStreaming, silent, { kind: 'sample', connection: 0 }]).state).toMatchObject({ name: 'streaming', epoch: 1, fault: null });
  });

  it('closes and reopens when the silence goes on, at most 5 s later', () => {
    const { state } = run([...toStreaming, silent, due]);
    expect(state).toMatchObject({ name: 'waiting', link: 'closing' });
    expect(backOffMs(20, RULES, true)).toBe(5_000);
  });
});

describe('what a person must do', () => {
  it.each(['LINK_PERMISSION', 'LINK_NOT_A_PORT'] as const)('stops for %s and looks again when the port changes or on request', (code) => {
    const stuck = [start, present, openFailed(code)];
    expect(run([...stuck, due, present]).state).toMatchObject({ name: 'needs-attention', link: 'none' });
    expect(run([...stuck, { kind: 'port', isPresent: true, isChanged: true }]).state.name).toBe('opening');
    expect(run([...stuck, gone]).state.name).toBe('absent');
    expect(run([...stuck, { kind: 'retry' }]).state.name).toBe('opening');
  });

  it('stops for another instrument than the settings name, with the link closed', () => {
    expect(run([start, opened, due, identifyFailed('DEVICE_MISMATCH'), closed]).state).toMatchObject({ name: 'needs-attention', link: 'none' });
  });

  it('does not open anything while the settings are wrong', () => {
    const rules = { ...RULES, settingsFault: fault('DRIVER_UNKNOWN') };
    const { state, effects } = run([start, present, { kind: 'retry' }, gone, present], rules);
    expect(state).toMatchObject({ name: 'needs-attention', fault: { code: 'DRIVER_UNKNOWN' } });
    expect(effects.some((effect) => effect.kind === 'open-link')).toBe(false);
  });

  it('looks again by itself where no port list can tell of a change', () => {
    const rules = { ...RULES, hasPortList: false };
    expect(run([start, opened, due, identifyFailed('DEVICE_MISMATCH'), closed, due], rules).state.name).toBe('opening');
  });
});

describe('any sequence of inputs', () => {
  const connection = fc.integer({ min: 0, max: 4 });
  const error = fc.constantFrom(...(Object.keys(ERROR_TABLE) as ErrorCode[])).map(fault);
  const input: fc.Arbitrary<MachineInput> = fc.oneof(
    fc.record({ kind: fc.constantFrom('start' as const, 'stop' as const, 'retry' as const) }),
    fc.record({ kind: fc.constant('port' as const), isPresent: fc.boolean(), isChanged: fc.boolean() }),
    fc.record({ kind: fc.constantFrom('opened' as const, 'bytes' as const, 'identified' as const, 'sample' as const, 'link-closed' as const), connection }),
    fc.record({ kind: fc.constantFrom('open-failed' as const, 'identify-failed' as const, 'driver-failed' as const, 'silent' as const), connection, error }),
    fc.record({ kind: fc.constant('link-ended' as const), connection, error: fc.option(error) }),
    fc.record({ kind: fc.constant('timer' as const), timer: fc.constantFrom('state' as const, 'quiet' as const, 'silence' as const, 'steady' as const, 'close' as const) }),
  );
  /** Half of the inputs speak of the present connection, so that sequences get somewhere. */
  const sequence = fc.array(fc.tuple(input, fc.boolean()), { maxLength: 60 });
  const rules = fc.boolean().map((hasPortList): MachineRules => ({ ...RULES, hasPortList }));

  it('keeps to the known states and to one link at most', () => {
    fc.assert(fc.property(sequence, rules, (inputs, given) => {
      let state = INITIAL_STATE;
      /** Links that were asked for and have neither failed, closed nor been given up. */
      const held = new Set<number>();
      for (const [raw, isPresent] of inputs) {
        const next = isPresent && 'connection' in raw ? { ...raw, connection: state.connection } : raw;
        const before = state;
        const step = stepMachine(state, next, given);
        state = step.state;
        if ('connection' in next && next.connection === before.connection) {
          if (next.kind === 'open-failed' && (before.link === 'opening' || before.link === 'closing')) held.delete(next.connection);
          if (next.kind === 'link-closed' && before.link === 'closing') held.delete(next.connection);
        }
        for (const effect of step.effects) {
          if (effect.kind === 'abandon-link') held.delete(effect.connection);
          if (effect.kind === 'close-link') expect(held).toContain(effect.connection);
          if (effect.kind === 'open-link') {
            expect(held.size).toBe(0);
            held.add(effect.connection);
          }
          if (effect.kind === 'start-driver' || effect.kind === 'stream') expect(held).toContain(effect.connection);
        }
        expect(InstrumentState.options).toContain(state.name);
        expect(held.size).toBe(state.link === 'none' ? 0 : 1);
        expect(['settling', 'identifying', 'streaming', 'stalled'].includes(state.name)).toBe(state.link === 'open');
        if (state.name === 'opening') expect(state.link).toBe('opening');
        if (state.isDue) expect(state.name).toBe('waiting');
        expect(state.epoch).toBeLessThanOrEqual(state.connection);
      }
    }), { numRuns: 2_000 });
  });

  it('stops from wherever it led, and stays stopped', () => {
    fc.assert(fc.property(sequence, rules, (inputs, given) => {
      const reached = run(inputs.map(([raw]) => raw), given).state;
      const stopping = run([{ kind: 'stop' }], given, reached);
      const isClosing = stopping.effects.some((effect) => effect.kind === 'start-timer' && effect.timer === 'close');
      expect(stopping.state.name).toBe('stopped');
      if (stopping.state.link !== 'none' && reached.link !== 'closing') expect(isClosing).toBe(true);
      const later = run([{ kind: 'timer', timer: 'close' }, due, present, { kind: 'retry' }, gone, present], given, stopping.state).state;
      expect(later).toMatchObject({ name: 'stopped', link: 'none' });
    }), { numRuns: 1_000 });
  });

  it('always has a way on: a timer runs, or an answer, a port or a person is awaited', () => {
    fc.assert(fc.property(sequence, rules, (inputs, given) => {
      let state = INITIAL_STATE;
      const running = new Set<string>();
      for (const [raw, isPresent] of inputs) {
        const next = isPresent && 'connection' in raw ? { ...raw, connection: state.connection } : raw;
        // Timers fire only when they run; 'silence' is answered by the runner.
        if (next.kind === 'timer' && !running.delete(next.timer)) continue;
        const step = stepMachine(state, next, given);
        state = step.state;
        for (const effect of step.effects) {
          if (effect.kind === 'start-timer') running.add(effect.timer);
          if (effect.kind === 'cancel-timer') running.delete(effect.timer);
        }
        if (['opening', 'settling', 'identifying', 'stalled'].includes(state.name)) expect(running).toContain('state');
        if (state.name === 'waiting') expect(running.has('state') || (state.isDue && running.has('close'))).toBe(true);
        if (state.name === 'absent') expect(given.hasPortList).toBe(true);
        if (state.link === 'closing') expect(running).toContain('close');
      }
    }), { numRuns: 2_000 });
  });
});
