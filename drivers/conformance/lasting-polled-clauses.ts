/** What every driver promises that asks, over a whole shift: a silent device at the start, commands under way, memory and speed. */
import assert from 'node:assert/strict';
import { getEventListeners } from 'node:events';
import { createMemoryLink } from '../links/memory-link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { Clause } from './clause.ts';
import { assertNothingLeft, assertSamples, assertUndeclaredRefused, assertUnitsAndStatus, commandOf, expectedSamples, startedBy } from './driver-tools.ts';
import { assertNoGrowth, plainLoop, timeMs } from './endurance.ts';
import { ManualClock } from './manual-clock.ts';
import { PERIOD_MS, polledBench, polledRounds, startedPolled, type PolledHarness, type PolledPlan } from './polled-bench.ts';
import { sessionClauses } from './session-clauses.ts';

/** An answer is one chunk, and with it come its bookkeeping and the next question. */
const TIMES_PLAIN_LOOP = 250;
const ROUNDS = 150;
const COMMAND_ROUNDS = 6;

export function lastingPolledClauses<Options>(harness: PolledHarness<Options>): readonly Clause[] {
  const { driver, options, vectors } = harness;
  const channels = driver.channelCount(options);

  const clauses: Clause[] = [
    { id: 'P16', text: 'a start that nobody answers is refused within a minute with a TorsiondError, gives no value and leaves no timer', check: async () => {
      const { session, clock, events, far } = polledBench(harness, { isDead: true });
      await assert.rejects(startedBy(session, clock), TorsiondError);
      await session.stop();
      assert.ok(events.every(({ kind }) => kind !== 'values'), 'no value was to come, but some did');
      assertNothingLeft({ timers: clock.pendingTimers, isOpen: far.isOpen }, 'stopped after a start that nobody answered');
    } },
    { id: 'P19', text: 'two hundred starts and stops leave no memory, no timer and no listener behind', check: async () => {
      const { signal } = new AbortController();
      const clock = new ManualClock();
      await assertNoGrowth(async () => {
        const { link, far } = createMemoryLink(clock);
        let count = 0;
        far.onWrite((message) => {
          const bytes = harness.isPoll(message) ? vectors[0]!.answer(message) : harness.other(message);
          if (bytes !== null) far.deliver(bytes);
        });
        const session = driver.createSession({ options, link, clock, signal });
        session.events$.subscribe(() => count++);
        await startedBy(session, clock);
        clock.advance(PERIOD_MS);
        await session.stop();
        assert.ok(count > 0, 'no event came');
        await link.close();
        return session;
      });
      assertNothingLeft({ timers: clock.pendingTimers, listeners: getEventListeners(signal, 'abort').length }, 'after the last stop');
    } },
    { id: 'P20', text: `the work on an answer stays within ${TIMES_PLAIN_LOOP} times that of a plain loop over its bytes`, check: async () => {
      const { session, far, clock, events, pass } = await startedPolled(harness, { answer: () => null });
      const times: number[] = [];
      const plain: number[] = [];
      for (let i = 0; i < ROUNDS; i++) {
        // The question of this round is on its way; its answer comes before its time is over.
        const bytes = vectors[0]!.answer(far.written.at(-1)!);
        times.push(timeMs(() => far.deliver(bytes, clock.monoMs())));
        plain.push(timeMs(() => {
          for (let copy = 0; copy < 100; copy++) plainLoop([bytes]);
        }) / 100);
        await pass(PERIOD_MS);
      }
      assert.ok(events.length >= ROUNDS - 1, `${events.length} answers were taken`);
      const ratio = median(times) / median(plain);
      assert.ok(ratio <= TIMES_PLAIN_LOOP, `${ratio.toFixed(1)} times a plain loop`);
      await session.stop();
    } },
    { id: 'P21', text: 'commands that it does not declare are refused with COMMAND_UNSUPPORTED, and nothing is written', check: async () => {
      const { session, far } = await startedPolled(harness);
      await assertUndeclaredRefused(driver, session, far);
      await session.stop();
    } },
  ];
  if (vectors.some(({ units, status }) => units ?? status)) {
    clauses.push({ id: 'P17', text: 'unit and status of each sample are those of its vector', check: async () => {
      const { events } = await polledRounds(harness, {}, vectors.length);
      assertUnitsAndStatus(events, vectors, channels);
    } });
  }
  if (driver.capabilities.commands.length > 0) {
    clauses.push({ id: 'P18', text: 'a command while it asks, at any moment of a question, waits for its turn, and no sample is lost, changed or moved', check: async () => {
      const { command, isWritten } = commandOf(harness.command, driver.id);
      for (const afterMs of [0, 10, 29, 31, 60]) {
        const { session, far, events, state, pass } = await startedPolled(harness, { delayMs: () => 30 });
        const before = far.written.length;
        await pass(PERIOD_MS + afterMs);
        let end: unknown = 'pending';
        void session.command(command).then(() => (end = 'taken'), (error: unknown) => (end = error));
        await pass(PERIOD_MS * (COMMAND_ROUNDS - 2) + PERIOD_MS / 2 - afterMs);
        assert.equal(end, 'taken', `${afterMs} ms after a question: ${String(end)}`);
        assert.equal(far.written.slice(before).filter(isWritten).length, 1, 'the command at the device');
        assert.equal(state.mostOpen, 1, `${afterMs} ms after a question the command did not wait for its answer`);
        assertSamples(events, expectedSamples(Array.from({ length: COMMAND_ROUNDS }, (_, i) => vectors[i % vectors.length]!), channels), `a command ${afterMs} ms after a question`);
        await session.stop();
      }
    } });
  }
  clauses.push(...sessionClauses('P', driver, harness, (signal) => {
    const plan: PolledPlan = { answer: (poll, message) => (poll % (vectors.length + 1) === vectors.length ? harness.bad(message) : vectors[poll % (vectors.length + 1)]!.answer(message)) };
    const { session, link, far, clock, pass } = polledBench(harness, plan, signal);
    return { session, link, far, start: () => startedBy(session, clock, 1), feed: () => pass(PERIOD_MS * (vectors.length + 1)) };
  }));
  return clauses.sort((a, b) => Number(a.id.slice(1)) - Number(b.id.slice(1)));
}

function median(values: readonly number[]): number {
  return [...values].sort((a, b) => a - b)[values.length >> 1]!;
}
