/** What every driver promises that streams, checked over a link in memory. */
import assert from 'node:assert/strict';
import type { DriverEvent } from '../api.ts';
import { createMemoryLink } from '../links/memory-link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { eventually, type Clause } from './clause.ts';
import { NOISE_LIMIT_MS, NOISE_ROUNDS, asError, assertNothingLeft, assertNothingThrown, assertSamples, assertSchema, countingClock, expectedSamples, faultText, hexText, noise, processorMs, samplesOf, startedBy, turn } from './driver-tools.ts';
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
      await turn();
      assert.equal(far.written.length, 0, `nothing was to be written before the start, but came: ${far.written.map(hexText).join(', ')}`);
      assert.equal(timers(), 0, `no timer was to run before the start, but ${timers()} do`);
    } },
    { id: 'D2', text: 'values are exactly those of the vectors, with sign, and missing ones are counted where they miss', check: async () => {
      const made = await started();
      const { far, events } = made;
      far.deliver(all);
      await assertNothingThrown(made);
      assertSamples(events, expected(vectors));
    } },
    { id: 'D3', text: 'the same for any split of the bytes', check: async () => {
      for (const size of [1, 2, 3, 7, 64]) {
        const { far, events } = await started();
        for (let at = 0; at < all.length; at += size) far.deliver(all.subarray(at, at + size));
        assertSamples(events, expected(vectors), `${size} bytes at a time`);
      }
    } },
    { id: 'D4', text: 'one bad frame is one fault and one missing sample of each channel, and the next sample is right', check: async () => {
      const made = await started();
      const { far, events, session } = made;
      const good = vectors.find((vector) => vector.values.every((value) => value !== null))!;
      const next = harness.afterBad ?? good;
      far.deliver(Buffer.concat([harness.resync, good.bytes, harness.bad, next.bytes]));
      await assertNothingThrown(made);
      const count = events.filter((event) => event.kind === 'fault').length;
      assert.equal(count, 1, `one bad frame was to be one fault, but ${count} came${faultText(events)}`);
      assert.ok(session.counters().faults >= 1, 'counters().faults was to count the bad frame, but is 0');
      // Whoever told it, the frame's own fault or the counter behind it: in the end one sample is missing.
      const absent: DriverVector = { bytes: harness.bad, values: good.values.map(() => null) };
      assertSamples(events, expected([good, absent, next]), `a good frame, a bad one${harness.afterBad ? '' : ', no afterBad'} and a good one`);
    } },
    { id: 'D5', text: 'events come during the arrival of their bytes, with its time, and values are the receiver\'s', check: async () => {
      const { far, events } = await started();
      far.deliver(Buffer.concat([harness.resync, vectors[0]!.bytes]), 5e9);
      assert.ok(events.length > 0, 'an event was to come before the call that brings the bytes returns, but none did');
      const other = events.find((event) => event.atMs !== 5e9);
      assert.equal(other, undefined, `atMs was to be ${5e9}, the arrival of the bytes, but is ${other?.atMs}`);
      const before = structuredClone(samples(events));
      far.deliver(all);
      assert.deepEqual(samples(events).map((list) => list[0]), before.map((list) => list[0]), 'values that were told already changed when more bytes came: give each event an array of its own');
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
        assertSamples(events, rest, `the first frame cut at ${cut}, then the others`);
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
      assert.equal(events.length, 0, `after stop no event was to come, but ${events.length} did`);
      assert.ok(state.isComplete, 'events$ was to complete with stop');
      assertNothingLeft({ timers: timers(), listeners: listeners(), isOpen: far.isOpen }, 'after stop()');
    } },
    { id: 'D10', text: 'two sessions share no state', check: async () => {
      const [one, two] = [await started(), await started()];
      for (const byte of all) {
        one.far.deliver(Uint8Array.of(byte));
        two.far.deliver(Uint8Array.of(byte));
      }
      assertSamples(one.events, expected(vectors), 'one of two sessions that take the same bytes in turns');
      assertSamples(two.events, expected(vectors), 'the other of two sessions that take the same bytes in turns');
      const { lost } = harness;
      if (!lost) return;
      // The counter jumps from the one session to the other: to neither of them.
      for (const [bytes, made] of [[lost.before, await started()], [lost.after, await started()]] as const) {
        made.far.deliver(Buffer.concat([harness.resync, bytes]));
        for (const list of samples(made.events)) {
          assert.deepEqual(list.map((value) => value === null), [false], `the first frame of a session that runs beside another was to be one sample, but ${list.length} came: the counter is shared${faultText(made.events)}`);
        }
      }
    } },
    { id: 'D11', text: 'wrong options are refused by the schema with their place', check: async () => {
      assertSchema(driver, options, harness.wrongOptions);
    } },
    { id: 'D12', text: '10 MB of noise throw nothing, are taken within 2 s of processor time, and what follows them is right', check: async () => {
      const made = await started();
      const { far, events } = made;
      const bytes = noise();
      const spentMs = processorMs(() => {
        for (let i = 0; i < NOISE_ROUNDS; i++) {
          far.deliver(bytes);
          events.length = 0;
        }
      });
      await assertNothingThrown(made);
      assert.ok(spentMs < NOISE_LIMIT_MS, `10 MB of noise were to take at most ${NOISE_LIMIT_MS} ms, but took ${Math.round(spentMs)} ms`);
      far.deliver(all);
      await assertNothingThrown(made);
      samples(events).forEach((list, channel) => {
        const wanted = expected(vectors)[channel]!;
        assert.deepEqual(list.slice(-vectors.length), wanted, `after noise the last samples of channel ${channel + 1} were to be ${JSON.stringify(wanted)}, but are ${JSON.stringify(list.slice(-vectors.length))}`);
      });
    } },
    { id: 'D13', text: 'a minute of silence gives no value', check: async () => {
      const clock = new ManualClock();
      const { link, far } = createMemoryLink(clock);
      answerAs(far, harness.answer);
      const session = driver.createSession({ options, link, clock, signal: new AbortController().signal });
      const events: DriverEvent[] = [];
      session.events$.subscribe({ next: (event) => events.push(event), error: () => events.splice(0) });
      await startedBy(session, clock);
      far.deliver(all);
      const countValues = (): number[] => samples(events).map((list) => list.filter((value) => value !== null).length);
      const before = countValues();
      for (let i = 0; i < 6_000; i++) clock.advance(10);
      assert.deepEqual(countValues(), before, `in silence no value was to come; values of each channel before: ${before.join(', ')}, after a minute: ${countValues().join(', ')}`);
    } },
    ...lostClause(),
    { id: 'D15', text: 'a start that was given up is refused with a TorsiondError, and nothing is asked', check: async () => {
      const { clock, timers } = countingClock();
      const { link, far } = createMemoryLink(clock);
      const session = driver.createSession({ options, link, clock, signal: AbortSignal.abort() });
      const thrown = await session.start().then(() => null, asError);
      assert.ok(thrown instanceof TorsiondError, `start with an aborted signal was to be refused with a TorsiondError, but ${thrown === null ? 'it started' : `threw ${thrown.message}, which is none (of this copy of torsiond)`}`);
      await session.stop();
      assert.equal(far.written.length, 0, `nothing was to be written, but came: ${far.written.map(hexText).join(', ')}`);
      assertNothingLeft({ timers: timers(), isOpen: far.isOpen }, 'after a start that was given up');
    } },
    ...lastingDriverClauses(harness),
  ];

  function lostClause(): Clause[] {
    const { lost } = harness;
    if (!lost) return [];
    return [{ id: 'D14', text: 'samples that the counter shows as lost are counted as missing, between the values around them', check: async () => {
      const { far, events } = await started();
      far.deliver(Buffer.concat([harness.resync, lost.before, lost.after]));
      const wanted = `v${'-'.repeat(lost.missing)}v`;
      samples(events).forEach((list, channel) => {
        const came = list.map((value) => (value === null ? '-' : 'v')).join('');
        assert.equal(came, wanted, `channel ${channel + 1}: ${lost.missing} samples are lost between two frames; expected ${wanted} (v: a value, -: a missing sample), got ${came || 'nothing'}${faultText(events)}`);
      });
    } }];
  }
}
