/** What every driver that asks promises, checked over a link in memory with a clock that the clauses move. */
import assert from 'node:assert/strict';
import { getEventListeners } from 'node:events';
import type { DriverEvent } from '../api.ts';
import { createMemoryLink } from '../links/memory-link.ts';
import type { Clause } from './clause.ts';
import { NOISE_LIMIT_MS, NOISE_ROUNDS, assertNothingLeft, assertNothingThrown, assertSamples, assertSchema, expectedSamples, hexText, noise, processorMs, samplesOf, turn } from './driver-tools.ts';
import { lastingPolledClauses } from './lasting-polled-clauses.ts';
import { ManualClock } from './manual-clock.ts';
import { PERIOD_MS, TIMEOUT_MS, polledBench, polledRounds, startedPolled, type PolledBench, type PolledHarness, type PolledPlan, type PolledVector } from './polled-bench.ts';

export function polledDriverClauses<Options>(harness: PolledHarness<Options>): readonly Clause[] {
  const { driver, options, vectors } = harness;
  const channels = driver.channelCount(options);
  const bench = (): PolledBench => polledBench(harness);
  const started = (plan: PolledPlan = {}): Promise<PolledBench> => startedPolled(harness, plan);
  const polled = (plan: PolledPlan, rounds: number): Promise<PolledBench> => polledRounds(harness, plan, rounds);
  const samples = (events: readonly DriverEvent[]): (number | null)[][] => samplesOf(events, channels);
  const expected = (list: readonly PolledVector[]): (number | null)[][] => expectedSamples(list, channels);
  const good = vectors[0]!;
  /** Differs from the first on every channel, so that a late answer would show. */
  const other = vectors.find((vector) => vector.values.every((text, channel) => text !== null && text !== good.values[channel])) ?? good;
  const goodSamples = (count: number): (number | null)[][] => expected(Array.from({ length: count }, () => good));

  return [
    { id: 'P1', text: 'making a session does no input or output', check: async () => {
      const { far, clock } = bench();
      await turn();
      assert.deepEqual([far.written.length, clock.pendingTimers], [0, 0]);
    } },
    { id: 'P2', text: 'values are exactly those of the vectors, and missing ones are counted where they miss', check: async () => {
      const made = await polled({}, vectors.length);
      await assertNothingThrown(made);
      assertSamples(made.events, expected(vectors));
    } },
    { id: 'P3', text: 'the same for any split of the answers', check: async () => {
      for (const pieces of [1, 2, 3, 7]) {
        const { events } = await polled({ pieces }, vectors.length);
        assertSamples(events, expected(vectors), `${pieces} bytes at a time`);
      }
    } },
    { id: 'P4', text: 'questions leave at even times, never two at once', check: async () => {
      const { state, events } = await polled({ delayMs: (poll) => (poll * 7) % 35 }, 12);
      assert.deepEqual([state.mostOpen, state.polls], [1, 12]);
      assert.deepEqual(samples(events).map((list) => list.length), Array<number>(channels).fill(12));
    } },
    { id: 'P5', text: 'an answer that is missing or late by up to the quiet time is one missing sample and never taken for the next', check: async () => {
      for (const delayMs of [TIMEOUT_MS + 1, TIMEOUT_MS + 30, Number.POSITIVE_INFINITY]) {
        const { events } = await polled({ answer: (poll, message) => (poll !== 1 ? good.answer(message) : Number.isFinite(delayMs) ? other.answer(message) : null), delayMs: (poll) => (poll === 1 && Number.isFinite(delayMs) ? delayMs : 0) }, 4);
        const lists = samples(events);
        lists.forEach((list, channel) => {
          const value = goodSamples(1)[channel]![0];
          assert.deepEqual(list.slice(0, 2), [value, null], `${delayMs} ms`);
          assert.deepEqual(list.at(-1), value);
          assert.ok(list.every((one) => one === null || one === value), `the answer that came after ${delayMs} ms was taken`);
        });
      }
    } },
    { id: 'P6', text: 'one bad answer is one missing sample, and the next is right', check: async () => {
      const made = await polled({ answer: (poll, message) => (poll === 1 ? harness.bad(message) : good.answer(message)) }, 4);
      const { events, session } = made;
      await assertNothingThrown(made);
      assertSamples(events, goodSamples(4).map((list) => list.map((value, i) => (i === 1 ? null : value!))), 'a good answer, a bad one and two good ones');
      assert.ok(session.counters().faults >= 1, 'counters().faults was to count the bad answer, but is 0');
    } },
    { id: 'P7', text: 'events come during the arrival of their bytes, with its time', check: async () => {
      let asked: Uint8Array | null = null;
      const { events, clock, far, pass } = await started({ answer: (_, message) => {
        asked ??= message;
        return null;
      } });
      for (let i = 0; i < 50 && asked === null; i++) await pass(1);
      far.deliver(good.answer(asked!), clock.monoMs() + 0.25);
      assert.ok(events.length > 0 && events.every((event) => event.atMs === clock.monoMs() + 0.25));
      assert.deepEqual(samples(events), goodSamples(1));
    } },
    { id: 'P8', text: 'a device that has fallen silent gives no value, and its samples are missing', check: async () => {
      const { events } = await polled({ answer: () => null }, 20);
      const lists = samples(events);
      assert.ok(lists.every((list) => list.length >= 19 && list.length <= 20 && list.every((value) => value === null)), JSON.stringify(lists.map((list) => list.length)));
    } },
    { id: 'P9', text: 'what the device sends without being asked gives no value', check: async () => {
      const { events, far, pass } = await polled({ answer: (_, message) => good.answer(message) }, 1);
      for (let i = 0; i < 4; i++) {
        far.deliver(good.answer(far.written.at(-1)!));
        await pass(PERIOD_MS);
      }
      assert.deepEqual(samples(events), goodSamples(5));
    } },
    { id: 'P10', text: 'events complete on a loss, and nothing is asked any more', check: async () => {
      const { far, state, pass, clock } = await started();
      far.unplug();
      await turn();
      const asked = far.written.length;
      await pass(300);
      assert.deepEqual([state.isComplete, far.written.length, clock.pendingTimers], [true, asked, 0]);
    } },
    { id: 'P11', text: 'stop, at any moment of a question, is idempotent, leaves no timer and an open link, and silences the session', check: async () => {
      for (const afterMs of [0, 5, 39, 45, 60, 100]) {
        const { far, events, session, state, clock, pass } = await started({ answer: () => null });
        await pass(afterMs);
        await Promise.all([session.stop(), session.stop()]);
        await session.stop();
        await pass(1);
        const [told, asked] = [events.length, far.written.length];
        far.deliver(good.answer(far.written.at(-1)!));
        await pass(300);
        const when = `stopped after ${afterMs} ms`;
        assert.equal(events.length, told, `${when}: no event was to come after the stop, but ${events.length - told} did`);
        assert.equal(far.written.length, asked, `${when}: nothing was to be written after the stop, but came: ${far.written.slice(asked).map(hexText).join(', ')}`);
        assert.ok(state.isComplete, `${when}: events$ was to complete`);
        assertNothingLeft({ timers: clock.pendingTimers, isOpen: far.isOpen }, when);
      }
    } },
    { id: 'P12', text: 'two sessions share no state', check: async () => {
      const [one, two] = [await started(), await started()];
      for (let i = 0; i < vectors.length * PERIOD_MS - PERIOD_MS / 2; i++) {
        await one.pass(1);
        await two.pass(1);
      }
      assert.deepEqual(samples(one.events), expected(vectors));
      assert.deepEqual(samples(two.events), expected(vectors));
    } },
    { id: 'P13', text: 'wrong options are refused by the schema with their place', check: async () => {
      assertSchema(driver, options, harness.wrongOptions);
      assert.equal(driver.sampleRateHz?.(options), 1_000 / PERIOD_MS);
    } },
    { id: 'P14', text: '10 MB of noise give no value, within 2 s of processor time, and afterwards values are right', check: async () => {
      const { far, events, pass, clock } = await started({ answer: (_, message) => good.answer(message) });
      const bytes = noise();
      await pass(PERIOD_MS / 2);
      events.length = 0;
      const spentMs = processorMs(() => {
        for (let i = 0; i < NOISE_ROUNDS; i++) far.deliver(bytes, clock.monoMs());
      });
      assert.ok(spentMs < NOISE_LIMIT_MS, `${spentMs} ms`);
      assert.ok(events.every((event) => event.kind === 'fault'));
      await pass(10 * PERIOD_MS);
      samples(events).forEach((list, channel) => assert.equal(list.at(-1), goodSamples(1)[channel]![0]));
    } },
    { id: 'P15', text: 'a start that is given up while nobody answers ends at once, with no timer, no listener and no further question', check: async () => {
      const clock = new ManualClock();
      const { link, far } = createMemoryLink(clock);
      const giveUp = new AbortController();
      const session = driver.createSession({ options, link, clock, signal: giveUp.signal });
      let end: 'pending' | 'resolved' | 'rejected' = 'pending';
      void session.start().then(() => (end = 'resolved'), () => (end = 'rejected'));
      await turn();
      clock.advance(1);
      giveUp.abort();
      for (let i = 0; i < 10; i++) await turn();
      assert.notEqual(end, 'pending', 'start did not end');
      const asked = far.written.length;
      for (let i = 0; i < 300; i++) {
        clock.advance(1);
        await turn();
      }
      assert.equal(far.written.length, asked, `nothing was to be asked after giving up, but came: ${far.written.slice(asked).map(hexText).join(', ')}`);
      assertNothingLeft({ timers: clock.pendingTimers, listeners: getEventListeners(giveUp.signal, 'abort').length, isOpen: far.isOpen }, 'given up');
    } },
    ...lastingPolledClauses(harness),
  ];
}
