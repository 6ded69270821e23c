import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { ReadingResume, RESUME_PAGE } from '../../../daemon/server/stream/reading-resume.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { MemoryStore, reading } from '../../helpers/fake-gateway.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

function setUp(cursor: number, stored: number): {
  store: MemoryStore; clock: ManualClock; resume: ReadingResume; got: number[]; failed: TorsiondError[];
  state: { hasRoom: boolean; announced: number }; commit: (count: number) => void; announce: (upTo?: number) => void;
} {
  const store = new MemoryStore();
  const clock = new ManualClock();
  const got: number[] = [];
  const failed: TorsiondError[] = [];
  const state = { hasRoom: true, announced: 0 };
  const commit = (count: number): void => {
    for (let i = 0; i < count; i++) store.add(reading(store.stored.length + 1));
  };
  commit(stored);
  state.announced = stored;
  const resume = new ReadingResume(cursor, {
    store, clock, announcedSeq: () => state.announced, hasRoom: () => state.hasRoom,
    send: (one) => got.push(one.reading.seq!), onCatchUp: () => {}, onFailed: (error) => failed.push(error),
  });
  const announce = (upTo = store.stored.length): void => {
    while (state.announced < upTo) {
      state.announced += 1;
      const seq = state.announced;
      resume.announced(seq, () => got.push(seq));
    }
  };
  return { store, clock, resume, got, failed, state, commit, announce };
}
const upTo = (last: number, first = 1): number[] => Array.from({ length: last - first + 1 }, (_, i) => first + i);

describe('resuming by sequence number', () => {
  it('gives everything after the cursor from the store, then what is announced', async () => {
    const { resume, got, commit, announce } = setUp(3, 450);
    resume.start();
    await waitUntil(() => got.length === 447, 'the catch-up');
    commit(2);
    announce();
    expect(got).toEqual(upTo(452, 4));
  });

  it('joins without a hole and without a repeat, whenever readings are stored and announced meanwhile', async () => {
    await fc.assert(fc.asyncProperty(
      fc.integer({ min: 0, max: 250 }), fc.integer({ min: 0, max: 250 }),
      fc.array(fc.record({ commit: fc.integer({ min: 0, max: 130 }), lag: fc.integer({ min: 0, max: 40 }) }), { maxLength: 6 }),
      async (cursor, stored, steps) => {
        const run = setUp(Math.min(cursor, stored), stored);
        const queue = [...steps];
        run.store.beforeAnswer = () => {
          const step = queue.shift();
          if (!step) return;
          run.commit(step.commit);
          run.announce(run.store.stored.length - step.lag);
        };
        run.resume.start();
        run.commit(1);
        run.announce();
        await waitUntil(() => {
          run.announce();
          return run.got.at(-1) === run.store.stored.length;
        }, 'the last reading');
        expect(run.got).toEqual(upTo(run.store.stored.length, Math.min(cursor, stored) + 1));
      }), { numRuns: 40 });
  });

  it('drops what was announced again', () => {
    const { resume, got, store } = setUp(0, 0);
    resume.announced(1, () => got.push(1));
    resume.announced(1, () => got.push(1));
    expect(got).toEqual([1]);
    expect(store.queries).toEqual([]);
  });

  it('fills a hole in the announcements from the store', async () => {
    const { resume, got, commit, state } = setUp(0, 0);
    commit(5);
    state.announced = 5;
    resume.announced(5, () => got.push(5));
    await waitUntil(() => got.length === 5, 'all five');
    expect(got).toEqual([1, 2, 3, 4, 5]);
  });

  it('holds back while there is no room and keeps nothing in memory for it', async () => {
    const { resume, got, commit, announce, state, store } = setUp(0, 0);
    state.hasRoom = false;
    commit(2_000);
    announce();
    expect(got).toEqual([]);
    expect(store.queries).toEqual([]);
    state.hasRoom = true;
    resume.roomAgain();
    await waitUntil(() => got.length === 2_000, 'all readings');
    expect(got).toEqual(upTo(2_000));
    expect(Math.max(...store.queries.map((query) => query.limit!))).toBe(RESUME_PAGE);
  });

  it('tries a failing store again, and gives up with a reason', async () => {
    const { resume, got, store, clock, failed } = setUp(0, 10);
    let failures = 3;
    store.beforeAnswer = () => {
      if (failures-- > 0) throw new TorsiondError('STORE_FAILED', 'as the test says');
    };
    resume.start();
    await waitUntil(() => (clock.advance(1_000), got.length === 10), 'the readings');
    expect(failed).toEqual([]);

    const dead = setUp(0, 10);
    dead.store.beforeAnswer = () => { throw new TorsiondError('STORE_FAILED', 'as the test says'); };
    dead.resume.start();
    await waitUntil(() => (dead.clock.advance(1_000), dead.failed.length > 0), 'giving up');
    expect(dead.failed[0]).toMatchObject({ code: 'STORE_FAILED' });
    expect(dead.store.queries).toHaveLength(5);
  });

  it('does not turn for ever when the store lacks what was announced', async () => {
    const { resume, state, clock, failed, store } = setUp(0, 0);
    state.announced = 3;
    resume.start();
    await waitUntil(() => (clock.advance(1_000), failed.length > 0), 'giving up');
    expect(store.queries).toHaveLength(5);
  });

  it('sends nothing after it was stopped', async () => {
    const { resume, got, store } = setUp(0, 300);
    let asked = 0;
    store.beforeAnswer = () => {
      asked += 1;
      if (asked === 2) resume.stop();
    };
    resume.start();
    await waitUntil(() => asked === 2, 'the second page');
    await new Promise((resolve) => setImmediate(resolve));
    await new Promise((resolve) => setImmediate(resolve));
    expect(got).toEqual(upTo(RESUME_PAGE));
  });
});
