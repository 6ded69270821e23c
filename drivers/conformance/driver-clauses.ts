/** What every driver promises that streams, checked over a link in memory. */
import assert from 'node:assert/strict';
import type { DriverEvent } from '../api.ts';
import { createMemoryLink } from '../links/memory-link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { eventually, type Clause } from './clause.ts';
import { NOISE_LIMIT_MS, NOISE_ROUNDS, assertSchema, countingClock, expectedSamples, noise, processorMs, samplesOf, startedBy } from './driver-tools.ts';
import { lastingDriverClauses } from './lasting-driver-clauses.ts';
import { ManualClock } from './manual-clock.ts';
import { answerAs, streamBench, type DriverHarness, type DriverVector, type StreamBench } from './stream-bench.ts';

export function driverClauses<Options>(harness: DriverHarness<Options>): readonly Clause[] {
  const { driver, options, vectors } = harness;
  const channels = driver.channelCount(options);
  const bench = (): StreamBench => streamBench(harness);
  const started = async (): Promise<StreamBench> => {
    const made = bench();
    await made.session.start();
    return made;
  };
  const samples = (events: readonly DriverEvent[]): (number | null)[][] => samplesOf(events, channels);
  const expected = (list: readonly DriverVector[]): (number | null)[][] => expectedSamples(list, channels);
  const all = Buffer.concat([harness.resync, ...vectors.map((vector) => vector.bytes)]);

  return [
    { id: 'D1', text: 'making a session does no input or output', check: async () => {
      const { far, timers } = bench();
      far.deliver(all);
      assert.equal(far.written.length, 0);
      assert.equal(timers(), 0);
    } },
    { id: 'D2', text: 'values are exactly those of the vectors, with sign, and missing ones are counted where they miss', check: async () => {
      const { far, events } = await started();
      far.deliver(all);
      assert.deepEqual(samples(events), expected(vectors));
    } },
    { id: 'D3', text: 'the same for any split of the bytes', check: async () => {
      for (const size of [1, 2, 3, 7, 64]) {
        const { far, events } = await started();
        for (let at = 0; at < all.length; at += size) far.deliver(all.subarray(at, at + size));
        assert.deepEqual(samples(events), expected(vectors), `${size} bytes at a time`);
      }
    } },
    { id: 'D4', text: 'one bad frame is one fault, and the next sample is right', check: async () => {
      const { far, events, session } = await started();
      const good = vectors.find((vector) => vector.values.every((value) => value !== null))!;
      const next = harness.afterBad ?? good;
      far.deliver(Buffer.concat([harness.resync, good.bytes, harness.bad, next.bytes]));
      assert.equal(events.filter((event) => event.kind === 'fault').length, 1);
      assert.ok(session.counters().faults >= 1);
      const [first, last] = [expected([good]), expected([next])];
      samples(events).forEach((list, channel) => {
        assert.deepEqual([list[0], list.at(-1)], [first[channel]![0], last[channel]![0]]);
        assert.equal(list.filter((value) => value !== null).length, 2, 'a value was made of the bad frame');
      });
    } },
    { id: 'D5', text: 'events come during the arrival of their bytes, with its time, and values are the receiver\'s', check: async () => {
      const { far, events } = await started();
      far.deliver(Buffer.concat([harness.resync, vectors[0]!.bytes]), 5e9);
      assert.ok(events.length > 0 && events.every((event) => event.atMs === 5e9));
      const before = structuredClone(samples(events));
      far.deliver(all);
      assert.deepEqual(samples(events).map((list) => list.slice(0, 1)), before.map((list) => list.slice(0, 1)));
    } },
    { id: 'D6', text: 'started in the middle of a frame nothing is invented', check: async () => {
      for (let cut = 1; cut < vectors[0]!.bytes.length; cut++) {
        const { far, events, session } = bench();
        const starting = session.start();
        // Where the session asks who is there, the frame is under way before the answer, which ends it.
        if (!harness.answer) await starting;
        far.deliver(vectors[0]!.bytes.subarray(cut));
        await starting;
        far.deliver(Buffer.concat(vectors.slice(1).map((vector) => vector.bytes)));
        const rest = expected(vectors.slice(1));
        samples(events).forEach((list, channel) => assert.deepEqual(list.slice(-rest[channel]!.length), rest[channel]));
        samples(events).forEach((list, channel) => assert.ok(list.length <= rest[channel]!.length, `a value out of nothing after a cut at ${cut}`));
      }
    } },
    { id: 'D7', text: 'silence gives nothing, and a frame that is not finished gives nothing at the end either', check: async () => {
      const { far, events, link } = await started();
      far.deliver(Buffer.concat([harness.resync, vectors[0]!.bytes.subarray(0, -1)]));
      const count = events.length;
      await link.close();
      await new Promise((resolve) => setImmediate(resolve));
      assert.equal(events.length, count);
      assert.deepEqual(samples(events).flat(), []);
    } },
    { id: 'D8', text: 'events complete within 100 ms of a loss', check: async () => {
      const { far, state } = await started();
      far.unplug();
      await eventually(() => state.isComplete, 'completion', 100);
    } },
    { id: 'D9', text: 'stop is idempotent, leaves no timer, no listener on the signal and an open link, and silences the session', check: async () => {
      const { far, events, session, state, timers, listeners } = await started();
      await Promise.all([session.stop(), session.stop()]);
      await session.stop();
      far.deliver(all);
      assert.deepEqual([events.length, state.isComplete, far.isOpen, timers(), listeners()], [0, true, true, 0, 0]);
    } },
    { id: 'D10', text: 'two sessions share no state', check: async () => {
      const [one, two] = [await started(), await started()];
      for (const byte of all) {
        one.far.deliver(Uint8Array.of(byte));
        two.far.deliver(Uint8Array.of(byte));
      }
      assert.deepEqual(samples(one.events), expected(vectors));
      assert.deepEqual(samples(two.events), expected(vectors));
    } },
    { id: 'D11', text: 'wrong options are refused by the schema with their place', check: async () => {
      assertSchema(driver, options, harness.wrongOptions);
    } },
    { id: 'D12', text: '10 MB of noise throw nothing, are taken within 2 s of processor time, and what follows them is right', check: async () => {
      const { far, events } = await started();
      const bytes = noise();
      const spentMs = processorMs(() => {
        for (let i = 0; i < NOISE_ROUNDS; i++) {
          far.deliver(bytes);
          events.length = 0;
        }
      });
      assert.ok(spentMs < NOISE_LIMIT_MS, `${spentMs} ms`);
      assert.ok(far.isOpen, 'the driver threw and so ended the link');
      far.deliver(all);
      assert.deepEqual(samples(events).map((list) => list.slice(-vectors.length)), expected(vectors));
    } },
    { id: 'D13', text: 'a minute of silence gives no value', check: async () => {
      const clock = new ManualClock();
      const { link, far } = createMemoryLink(clock);
      answerAs(far, harness.answer);
      const session = driver.createSession({ options, link, clock, signal: new AbortController().signal });
      const events: DriverEvent[] = [];
      session.events$.subscribe((event) => events.push(event));
      await startedBy(session, clock);
      far.deliver(all);
      const before = samples(events).map((list) => list.filter((value) => value !== null).length);
      for (let i = 0; i < 6_000; i++) clock.advance(10);
      assert.deepEqual(samples(events).map((list) => list.filter((value) => value !== null).length), before);
    } },
    ...lostClause(),
    { id: 'D15', text: 'a start that was given up is refused with a TorsiondError, and nothing is asked', check: async () => {
      const { clock, timers } = countingClock();
      const { link, far } = createMemoryLink(clock);
      const session = driver.createSession({ options, link, clock, signal: AbortSignal.abort() });
      await assert.rejects(session.start(), TorsiondError);
      await session.stop();
      assert.deepEqual([far.written.length, timers(), far.isOpen], [0, 0, true]);
    } },
    ...lastingDriverClauses(harness),
  ];

  function lostClause(): Clause[] {
    const { lost } = harness;
    if (!lost) return [];
    return [{ id: 'D14', text: 'samples that the counter shows as lost are counted as missing, between the values around them', check: async () => {
      const { far, events } = await started();
      far.deliver(Buffer.concat([harness.resync, lost.before, lost.after]));
      for (const list of samples(events)) assert.deepEqual(list.map((value) => value === null), [false, ...Array<boolean>(lost.missing).fill(true), false]);
    } }];
  }
}
