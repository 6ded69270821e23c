/** What every driver promises that streams, over a whole shift: ends of all kinds, commands under way, memory and speed. */
import assert from 'node:assert/strict';
import { getEventListeners } from 'node:events';
import { createMemoryLink } from '../links/memory-link.ts';
import type { Clause } from './clause.ts';
import { assertNothingLeft, assertSamples, assertUndeclaredRefused, assertUnitsAndStatus, commandOf, countingClock, expectedSamples, hexText, startedBy, turn } from './driver-tools.ts';
import { assertNoGrowth, timesPlainLoop } from './endurance.ts';
import { ManualClock } from './manual-clock.ts';
import { sessionClauses } from './session-clauses.ts';
import { answerAs, streamBench, type DriverHarness } from './stream-bench.ts';

/** Chunks of a fast stream: what an adapter collects. */
const CHUNK_MS = 16;
const TIMES_PLAIN_LOOP = 60;

export function lastingDriverClauses<Options>(harness: DriverHarness<Options>): readonly Clause[] {
  const { driver, options, vectors } = harness;
  const channels = driver.channelCount(options);
  const all = Buffer.concat([harness.resync, ...vectors.map((vector) => vector.bytes)]);

  const clauses: Clause[] = [
    { id: 'D16', text: 'a start ends: at once when it is given up after any byte, and by itself within a minute when nobody answers', check: async () => {
      for (let count = 0; count <= Math.min(all.length, 64); count++) {
        const clock = new ManualClock();
        const { link, far } = createMemoryLink(clock);
        const giveUp = new AbortController();
        const session = driver.createSession({ options, link, clock, signal: giveUp.signal });
        let isSettled = false;
        session.start().then(() => (isSettled = true), () => (isSettled = true));
        await turn();
        if (count > 0) far.deliver(all.subarray(0, count));
        giveUp.abort();
        for (let i = 0; i < 10; i++) await turn();
        assert.ok(isSettled, `given up after ${count} bytes, start did not end`);
        await session.stop();
        assertNothingLeft({ timers: clock.pendingTimers, listeners: getEventListeners(giveUp.signal, 'abort').length, isOpen: far.isOpen }, `given up after ${count} bytes`);
      }
      const clock = new ManualClock();
      const { link } = createMemoryLink(clock);
      const session = driver.createSession({ options, link, clock, signal: new AbortController().signal });
      await startedBy(session, clock).catch((thrown: unknown) => {
        if (thrown instanceof assert.AssertionError) throw thrown;
      });
      await session.stop();
      assertNothingLeft({ timers: clock.pendingTimers }, 'stopped after a start that nobody answered');
    } },
    { id: 'D19', text: 'two hundred starts and stops leave no memory, no timer and no listener behind', check: async () => {
      const { signal } = new AbortController();
      const { clock, timers } = countingClock();
      await assertNoGrowth(async () => {
        const { link, far } = createMemoryLink(clock);
        answerAs(far, harness.answer);
        const session = driver.createSession({ options, link, clock, signal });
        let count = 0;
        session.events$.subscribe(() => count++);
        await session.start();
        far.deliver(all);
        await session.stop();
        assert.ok(count > 0, 'no event came');
        await link.close();
        return session;
      });
      assertNothingLeft({ timers: timers(), listeners: getEventListeners(signal, 'abort').length }, 'after the last stop');
    } },
    { id: 'D20', text: `at its fastest the work on a chunk stays within ${TIMES_PLAIN_LOOP} times that of a plain loop over the bytes`, check: async () => {
      const { session, far, events } = streamBench(harness);
      await session.start();
      far.deliver(harness.resync);
      const perChunk = Math.max(1, Math.round((harness.fastestHz ?? 10_000) * CHUNK_MS / 1_000));
      const chunk = Buffer.concat(Array.from({ length: perChunk }, (_, i) => vectors[i % vectors.length]!.bytes));
      const ratio = timesPlainLoop(TIMES_PLAIN_LOOP, Array.from({ length: Math.ceil(4_000 / perChunk) }, () => chunk), (chunks) => {
        for (const one of chunks) far.deliver(one);
        events.length = 0;
      });
      assert.ok(far.isOpen);
      assert.ok(ratio <= TIMES_PLAIN_LOOP, `${ratio.toFixed(1)} times a plain loop`);
      await session.stop();
    } },
    { id: 'D21', text: 'commands that it does not declare are refused with COMMAND_UNSUPPORTED, and nothing is written', check: async () => {
      const { session, far } = streamBench(harness);
      await session.start();
      await assertUndeclaredRefused(driver, session, far);
      await session.stop();
    } },
  ];
  if (vectors.some(({ units, status }) => units ?? status)) {
    clauses.push({ id: 'D17', text: 'unit and status of each sample are those of its vector', check: async () => {
      const { session, far, events } = streamBench(harness);
      await session.start();
      far.deliver(all);
      assertUnitsAndStatus(events, vectors, channels);
    } });
  }
  if (driver.capabilities.commands.length > 0) {
    clauses.push({ id: 'D18', text: 'a command while it streams, after any byte, reaches the device once, and no sample is lost, changed or moved', check: async () => {
      const { command, isWritten } = commandOf(harness.command, driver.id);
      const ends = vectors.reduce((list, { bytes }) => [...list, list.at(-1)! + bytes.length], [harness.resync.length]);
      for (let cut = 0; cut <= all.length; cut += cut < 64 ? 1 : 61) {
        // A device answers behind the frame that is under way.
        let answer: Uint8Array | null = null;
        let isStarted = false;
        const { session, far, events } = streamBench({ ...harness, answer: (message) => {
          const bytes = harness.answer?.(message) ?? null;
          if (!isStarted || !isWritten(message)) return bytes;
          answer = bytes;
          return null;
        } });
        await session.start();
        isStarted = true;
        const before = far.written.length;
        far.deliver(all.subarray(0, cut));
        const taken = session.command(command);
        await turn();
        const end = ends.find((at) => at >= cut)!;
        far.deliver(all.subarray(cut, end));
        if (answer !== null) far.deliver(answer);
        await taken;
        far.deliver(all.subarray(end));
        const written = far.written.slice(before);
        const count = written.filter(isWritten).length;
        assert.equal(count, 1, `a command after ${cut} bytes: isWritten was to know it once at the device, but did ${count} times; written was ${written.map(hexText).join(', ') || 'nothing'}`);
        assertSamples(events, expectedSamples(vectors, channels), `a command after ${cut} bytes`);
        await session.stop();
      }
    } });
  }
  clauses.push(...sessionClauses('D', driver, harness, (signal) => {
    const { session, link, far } = streamBench(harness, signal);
    return { session, link, far, start: () => session.start(), feed: async () => void far.deliver(Buffer.concat([all, harness.bad])) };
  }));
  return clauses.sort((a, b) => Number(a.id.slice(1)) - Number(b.id.slice(1)));
}
