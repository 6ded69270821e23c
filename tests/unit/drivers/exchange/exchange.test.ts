import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { Exchange, type Outcome, type Question } from '../../../../drivers/exchange/exchange.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../../../drivers/links/memory-link.ts';
import { TorsiondError } from '../../../../shared/errors.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

interface Bench {
  clock: ManualClock;
  far: MemoryFarEnd;
  exchange: Exchange<string>;
  outcomes: string[];
  free: () => number;
  ask: (text: string, timeoutMs?: number) => void;
  sent: () => string[];
}

const settled = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

/** Frames are chunks; a question "q7" is answered by any frame of one letter "a" and digits. */
function bench(): Bench {
  const clock = new ManualClock();
  const { link, far } = createMemoryLink(clock, 'bench-a');
  const exchange = new Exchange<string>({ link, clock, quietMs: 50 });
  link.listen(({ data, atMs }) => {
    exchange.heard(atMs);
    exchange.offer(Buffer.from(data).toString(), atMs);
  });
  const outcomes: string[] = [];
  let free = 0;
  exchange.onFree = () => void free++;
  const said = (outcome: Outcome<string>): string => (outcome.kind === 'answered' ? outcome.frame : outcome.error.code);
  const question = (text: string, timeoutMs: number): Question<string> => ({
    bytes: Buffer.from(text), timeoutMs, name: text, accepts: (frame) => /^a\d+$/.test(frame),
  });
  return {
    clock, far, exchange, outcomes, free: () => free,
    ask: (text, timeoutMs = 100) => exchange.ask(question(text, timeoutMs), (outcome) => outcomes.push(said(outcome))),
    sent: () => far.written.map((bytes) => Buffer.from(bytes).toString()),
  };
}

describe('an exchange', () => {
  it('gives the answer during its arrival and is free when the question has left too', async () => {
    const { ask, far, exchange, outcomes, free, clock } = bench();
    ask('q1');
    expect(exchange.isFree).toBe(false);
    far.deliver('a1');
    expect(outcomes).toEqual(['a1']);
    await settled();
    expect([exchange.isFree, free(), clock.pendingTimers]).toEqual([true, 1, 0]);
  });

  it('refuses a second question while one is under way', () => {
    const { ask } = bench();
    ask('q1');
    expect(() => ask('q2')).toThrow(expect.objectContaining({ code: 'INTERNAL' }) as Error);
  });

  it('passes over frames that do not answer, and counts them', async () => {
    const { ask, far, exchange, outcomes } = bench();
    far.deliver('a0');
    ask('q1');
    far.deliver('noise');
    far.deliver('a1');
    expect([outcomes, exchange.unexpected]).toEqual([['a1'], 2]);
  });

  it('says when no answer came, and does not take the late one for the next', async () => {
    const { ask, far, exchange, outcomes, clock } = bench();
    ask('q1');
    await settled();
    clock.advance(100);
    expect(outcomes).toEqual(['DEVICE_TIMEOUT']);
    clock.advance(40);
    far.deliver('a1');
    clock.advance(49);
    expect(exchange.isFree).toBe(false);
    clock.advance(1);
    expect(exchange.isFree).toBe(true);
    ask('q2');
    far.deliver('a2');
    expect([outcomes, exchange.unexpected, exchange.timeouts]).toEqual([['DEVICE_TIMEOUT', 'a2'], 1, 1]);
  });

  it('waits while the device goes on talking, and tells it once', async () => {
    const clock = new ManualClock();
    const { link } = createMemoryLink(clock);
    let told = 0;
    const exchange = new Exchange<string>({ link, clock, quietMs: 50, onRestless: () => void told++ });
    exchange.drain();
    for (let i = 0; i < 40; i++) {
      clock.advance(30);
      exchange.heard(clock.monoMs());
    }
    expect([exchange.isFree, told]).toEqual([false, 1]);
    clock.advance(50);
    expect(exchange.isFree).toBe(true);
  });

  it('does not end a drain in the middle of a frame, unless its rest never comes', () => {
    const clock = new ManualClock();
    const { link } = createMemoryLink(clock);
    const exchange = new Exchange<string>({ link, clock, quietMs: 50, isMidFrame: () => true });
    exchange.drain();
    clock.advance(60);
    expect(exchange.isFree).toBe(false);
    clock.advance(250);
    expect(exchange.isFree).toBe(true);
  });

  it('tells of a write that failed, and drains', async () => {
    const { ask, far, outcomes, exchange, clock } = bench();
    far.refuseWrites(new TorsiondError('LINK_WRITE_TIMEOUT', 'not taken'));
    ask('q1');
    await settled();
    expect(outcomes).toEqual(['LINK_WRITE_TIMEOUT']);
    clock.advance(50);
    expect(exchange.isFree).toBe(true);
  });

  it('asks nothing while a write hangs, however long ago its answer was given up', async () => {
    const clock = new ManualClock();
    let let1: () => void = () => {};
    const { link } = createMemoryLink(clock);
    const exchange = new Exchange<string>({ link: { ...link, write: () => new Promise((resolve) => (let1 = resolve)) }, clock, quietMs: 50 });
    exchange.ask({ bytes: Buffer.from('q'), timeoutMs: 10, name: 'q', accepts: () => true }, () => {});
    clock.advance(1_000);
    expect(exchange.isFree).toBe(false);
    let1();
    await settled();
    expect(exchange.isFree).toBe(true);
  });

  it('says nothing after stop, and leaves no timer, whatever was under way', async () => {
    for (const state of ['asked', 'draining', 'answered'] as const) {
      const { ask, far, exchange, outcomes, free, clock } = bench();
      ask('q1');
      if (state === 'draining') clock.advance(100);
      if (state === 'answered') far.deliver('a1');
      const before = [...outcomes];
      exchange.stop();
      far.deliver('a1');
      clock.advance(10_000);
      await settled();
      expect([outcomes, free(), clock.pendingTimers]).toEqual([before, 0, 0]);
    }
  });

  it('gives every question the answer to itself, however late answers are, as long as they are not later than the quiet time', async () => {
    await fc.assert(fc.asyncProperty(fc.array(fc.integer({ min: 0, max: 149 }), { minLength: 1, maxLength: 30 }), async (delays) => {
      const { exchange, far, clock, outcomes, ask } = bench();
      far.onWrite((bytes) => {
        const number = Buffer.from(bytes).toString().slice(1);
        clock.after(delays[Number(number)]!, () => far.deliver(`a${number}`));
      });
      for (let i = 0; i < delays.length; i++) {
        ask(`q${i}`);
        for (let passed = 0; passed < 400 && !exchange.isFree; passed += 5) {
          clock.advance(5);
          await Promise.resolve();
          await Promise.resolve();
        }
      }
      expect(outcomes).toEqual(delays.map((delay, i) => (delay < 100 ? `a${i}` : 'DEVICE_TIMEOUT')));
    }), { numRuns: 60 });
  });
});
