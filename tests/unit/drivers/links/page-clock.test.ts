import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CLOCK_JUMP_MS, PageClock } from '../../../../drivers/links/page-clock.ts';

/** The other clock shows this when ours shows 0. */
const THEIRS_AT_0 = 5_000_000;

/** Messages each `everyMs`, late by what `delays` says, in order as a stream keeps them; each with the time it is taken for. */
function taken(delays: readonly number[], everyMs: number, ppm = 0): { trueMs: number; arrivedMs: number; takenMs: number }[] {
  const clock = new PageClock();
  let arrivedMs = 0;
  return delays.map((delay, i) => {
    const trueMs = 1_000 + i * everyMs;
    arrivedMs = Math.max(arrivedMs, trueMs + delay);
    const theirs = THEIRS_AT_0 + trueMs * (1 + ppm * 1e-6);
    expect(clock.note(theirs, arrivedMs)).toBe(true);
    return { trueMs, arrivedMs, takenMs: clock.toOurs(theirs) };
  });
}

describe('times of a page\'s clock', () => {
  it('are never later than the message that told them came', () => {
    fc.assert(fc.property(fc.array(fc.double({ min: 0, max: 500, noNaN: true }), { minLength: 1, maxLength: 200 }), fc.double({ min: -100, max: 100, noNaN: true }), (delays, ppm) => {
      for (const { arrivedMs, takenMs } of taken(delays, 10, ppm)) expect(takenMs).toBeLessThanOrEqual(arrivedMs + 1e-6);
    }));
  });

  it('do not move with what the network delays, once one message came without delay', () => {
    fc.assert(fc.property(fc.array(fc.double({ min: 3, max: 500, noNaN: true }), { minLength: 1, maxLength: 300 }), (delays) => {
      const [, ...later] = taken([3, ...delays], 10);
      for (const { trueMs, takenMs } of later) expect(Math.abs(takenMs - (trueMs + 3))).toBeLessThan(1e-6);
    }));
  });

  it('follow a clock that runs fast or slow by 100 ppm for an hour, to 5 ms', () => {
    for (const ppm of [-100, 100]) {
      const delays = Array.from({ length: 36_000 }, (_, i) => 2 + (i % 7) * 9);
      const worst = Math.max(...taken(delays, 100, ppm).slice(100).map(({ trueMs, takenMs }) => Math.abs(takenMs - (trueMs + 2))));
      expect(worst).toBeLessThan(5);
    }
  });

  it('rise slowly when every message comes later than before, so that a busy while moves nothing', () => {
    const delays = Array.from({ length: 1_200 }, (_, i) => (i < 100 ? 2 : 60));
    const [before, after] = [taken(delays, 100)[99]!, taken(delays, 100)[300]!];
    // 20 s later the least late message of the last 40 s is still one of those before.
    expect(after.takenMs - after.trueMs).toBe(before.takenMs - before.trueMs);
    const end = taken(delays, 100).at(-1)!;
    expect(end.takenMs - end.trueMs).toBeGreaterThan(2);
    expect(end.takenMs - end.trueMs).toBeLessThanOrEqual(2 + 120_000 * 0.0005);
  });

  it('end when the other clock is set, or stood still', () => {
    for (const jumpMs of [CLOCK_JUMP_MS + 1, -CLOCK_JUMP_MS - 1]) {
      const clock = new PageClock();
      expect(clock.note(100, 1_000)).toBe(true);
      expect(clock.note(200 + jumpMs, 1_100)).toBe(false);
    }
  });
});
