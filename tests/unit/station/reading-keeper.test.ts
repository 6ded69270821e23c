import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { ReadingKeeper } from '../../../daemon/station/reading-keeper.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import type { Trace } from '../../../shared/trace.ts';
import type { GatewayEvent } from '../../../shared/wire/events.ts';
import { reading } from '../../helpers/fake-gateway.ts';
import { HeldStore } from '../../helpers/held-store.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';

const full = (): TorsiondError => new TorsiondError('STORE_FULL', 'the disk is full');
const trace = {} as Trace;

interface Bench {
  readonly clock: ManualClock;
  readonly store: HeldStore;
  readonly keeper: ReadingKeeper;
  readonly events: GatewayEvent[];
  keep(...numbers: number[]): void;
  captured(): string[];
  notStored(): string[];
  stored(): { seq: number; id: string }[];
}

function bench(store = new HeldStore()): Bench {
  const clock = new ManualClock();
  const events: GatewayEvent[] = [];
  const keeper = new ReadingKeeper({ store, clock, announce: (event) => events.push(event) });
  const ids = (type: 'reading.captured' | 'reading.not-stored') => (): string[] => events.flatMap((event) => (event.type === type ? [event.reading.id] : []));
  return {
    clock, store, keeper, events,
    keep: (...numbers) => numbers.forEach((n) => keeper.keep(reading(n), trace)),
    captured: ids('reading.captured'),
    notStored: ids('reading.not-stored'),
    stored: () => events.flatMap((event) => (event.type === 'reading.stored' ? [{ seq: event.seq, id: event.reading.id }] : [])),
  };
}

const upTo = (last: number, first = 1): { seq: number; id: string }[] => Array.from({ length: last - first + 1 }, (_, i) => ({ seq: first + i, id: `reading-${first + i}` }));

describe('the keeper of readings', () => {
  it('announces a reading as captured at once, and as stored after the store said so, with its number', async () => {
    const { keep, events, store, stored } = bench();
    store.isAnsweringAtOnce = false;
    keep(1);
    await breathe();
    expect(events.map((event) => event.type)).toEqual(['reading.captured']);
    store.answer();
    await breathe();
    expect(stored()).toEqual(upTo(1));
    expect(events.at(-1)).toMatchObject({ type: 'reading.stored', seq: 1, reading: { seq: 1 } });
  });

  it('announces in order of the number without a hole, in whatever order acknowledgements come', async () => {
    const permutation = fc.integer({ min: 1, max: 40 }).chain((count) => fc.shuffledSubarray(Array.from({ length: count }, (_, i) => i), { minLength: count }));
    await fc.assert(fc.asyncProperty(permutation, fc.integer({ min: 1, max: 1_000 }), async (order, firstSeq) => {
      const { keep, store, stored, captured, keeper } = bench(new HeldStore(firstSeq));
      store.isAnsweringAtOnce = false;
      keep(...order.map((_, i) => i + 1));
      for (const [done, place] of order.entries()) {
        store.unanswered[place]!.resolve(store.unanswered[place]!.stored);
        await breathe();
        const answered = new Set(order.slice(0, done + 1));
        let whole = 0;
        while (answered.has(whole)) whole++;
        // Exactly what is whole from the beginning, never less and never more.
        expect(stored().map(({ seq }) => seq)).toEqual(Array.from({ length: whole }, (_, i) => firstSeq + i));
      }
      expect(stored().map(({ id }) => id)).toEqual(captured());
      expect(keeper.waiting).toBe(0);
    }), { numRuns: 60, seed: 1 });
  });

  it('tells of each reading once that it is not stored, at once while the store refuses, and stores all of them in order after', async () => {
    const { keep, store, stored, notStored, captured, clock, keeper } = bench();
    keep(1);
    await breathe();
    store.refuse(full());
    keep(2, 3, 4);
    await breathe();
    expect(notStored()).toEqual(['reading-2', 'reading-3', 'reading-4']);
    keep(5);
    expect(notStored()).toEqual(['reading-2', 'reading-3', 'reading-4', 'reading-5']);
    for (let i = 0; i < 5; i++) {
      clock.advance(1_000);
      await breathe();
    }
    expect(notStored()).toHaveLength(4);
    expect(keeper.waiting).toBe(4);
    expect(stored()).toEqual(upTo(1));

    store.refuse(null);
    await breathe();
    expect(stored()).toEqual(upTo(5));
    expect(captured()).toEqual(stored().map(({ id }) => id));
    expect([keeper.waiting, keeper.lost]).toEqual([0, 0]);
  });

  it('tries again by itself where the store does not say that it is well again', async () => {
    const { keep, store, stored, clock } = bench();
    store.failSilently(new TorsiondError('STORE_FAILED', 'the writer died'));
    keep(1, 2);
    await breathe();
    store.failSilently(null);
    await breathe();
    expect(stored()).toEqual([]);
    clock.advance(1_000);
    await breathe();
    expect(stored()).toEqual(upTo(2));
  });

  it('neither announces nor stores twice what the store had taken before its answer was lost', async () => {
    const { keep, store, stored, clock, keeper } = bench();
    store.isAnsweringAtOnce = false;
    keep(1, 2);
    // Both are committed; the second answer comes, the first is lost and the reading is handed over again.
    store.unanswered[1]!.resolve(store.unanswered[1]!.stored);
    await breathe();
    expect(stored()).toEqual([]);
    store.isAnsweringAtOnce = true;
    keep(1, 3);
    await breathe();
    clock.advance(1_000);
    await breathe();
    expect(stored()).toEqual(upTo(3));
    expect(store.kept).toHaveLength(3);
    expect(keeper.waiting).toBe(1);
  });

  it('lets a reading that cannot be stored hold up none of the others', async () => {
    const { keep, store, stored, notStored, events, keeper } = bench();
    store.failSilently(new TorsiondError('INTERNAL', 'it does not fit its schema'));
    keep(7);
    store.failSilently(null);
    keep(1);
    await breathe();
    expect(notStored()).toEqual(['reading-7']);
    expect(events).toContainEqual(expect.objectContaining({ type: 'reading.not-stored', fault: expect.objectContaining({ code: 'INTERNAL' }) as object }));
    expect(stored()).toEqual([{ seq: 1, id: 'reading-1' }]);
    expect([keeper.waiting, keeper.lost]).toEqual([0, 1]);
  });

  it('holds a bounded number; what comes beyond it is told and counted as lost, and nothing before it', async () => {
    const { keep, store, stored, events, keeper, clock } = bench();
    store.refuse(full());
    const bound = 10_000;
    keep(...Array.from({ length: bound }, (_, i) => i + 1));
    await breathe();
    keep(bound + 1, bound + 2);
    expect([keeper.waiting, keeper.lost]).toEqual([bound, 2]);
    expect(events.at(-1)).toMatchObject({ type: 'reading.not-stored', reading: { id: `reading-${bound + 2}` }, fault: { code: 'LIMIT_REACHED' } });
    store.refuse(null);
    for (let i = 0; i < 50; i++) {
      clock.advance(100);
      await breathe();
    }
    expect(stored()).toEqual(upTo(bound));
  });

  it('drains what waits before a stop, and says how many are left when the time is up', async () => {
    const { keep, store, keeper, clock } = bench();
    store.isAnsweringAtOnce = false;
    keep(1, 2, 3);
    let left: number | null = null;
    const drained = keeper.drain(2_000).then((count) => (left = count));
    store.answer([0]);
    await breathe();
    expect(left).toBeNull();
    clock.advance(2_000);
    await drained;
    expect(left).toBe(2);
    expect(store.listeners).toBe(0);
    expect(clock.pendingTimers).toBe(0);
    expect(await bench().keeper.drain(2_000)).toBe(0);
  });

  it('lets go of the store after a stop, whatever that still answers', async () => {
    const { keep, keeper, store, clock } = bench();
    let refuse = (_fault: TorsiondError): void => undefined;
    store.append = () => new Promise((_resolve, reject) => (refuse = reject));
    keep(1);
    const drained = keeper.drain(100);
    await breathe();
    clock.advance(100);
    expect(await drained).toBe(1);
    // As a store does with what still waits when it is closed.
    refuse(full());
    await breathe();
    expect(clock.pendingTimers).toBe(0);
    expect(keeper.waiting).toBe(1);
  });
});
