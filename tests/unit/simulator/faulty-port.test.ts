import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FaultPlan } from '../../../simulator/faults/fault-plan.ts';
import { FaultyPort } from '../../../simulator/faults/faulty-port.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { MemoryPort } from './memory-port.ts';

function faulty(plan: object, hooks: { onPluggedIn?: () => void; onUnplugged?: () => void } = {}) {
  const inner = new MemoryPort();
  const clock = new ManualClock();
  const port = new FaultyPort(inner, FaultPlan.parse(plan), clock, { delimiter: '\r\n', ...hooks });
  const write = (text: string): void => port.write(Buffer.from(text));
  return { inner, clock, port, write };
}
const line = (i: number): string => `${i}.000\r\n`;

describe('a bad line', () => {
  it('changes nothing when nothing is planned', () => {
    const { inner, write } = faulty({});
    for (let i = 0; i < 100; i++) write(line(i));
    expect(inner.text).toBe(Array.from({ length: 100 }, (_, i) => line(i)).join(''));
    expect(inner.writes.length).toBe(100);
  });

  it('cuts and merges chunks but keeps every byte in order', () => {
    const { inner, port, write } = faulty({ chunks: { splitShare: 0.4, mergeShare: 0.3 } });
    for (let i = 0; i < 1_000; i++) write(line(i));
    const all = Array.from({ length: 1_000 }, (_, i) => line(i)).join('');
    expect(all.startsWith(inner.text)).toBe(true);
    expect(all.length - inner.text.length).toBe(port.faults.heldBytes);
    const odd = inner.writes.filter((bytes) => !Buffer.from(bytes).toString().endsWith('\r\n'));
    expect(odd.length).toBeGreaterThan(100);
    expect(inner.writes.some((bytes) => Buffer.from(bytes).toString().split('\r\n').length > 3)).toBe(true);
  });

  it('loses and repeats whole lines only', () => {
    const { inner, write } = faulty({ lines: { lostShare: 0.1, duplicatedShare: 0.1 } });
    for (let i = 0; i < 1_000; i += 10) write(Array.from({ length: 10 }, (_, k) => line(i + k)).join(''));
    const seen = inner.text.split('\r\n').slice(0, -1).map(Number);
    const times = Array.from({ length: 1_000 }, (_, i) => seen.filter((value) => value === i).length);
    expect(times.filter((count) => count === 0).length).toBeGreaterThan(60);
    expect(times.filter((count) => count === 2).length).toBeGreaterThan(60);
    expect(seen.every((value, i) => i === 0 || value >= seen[i - 1]!)).toBe(true);
  });

  it('turns over single bits, and counts them', () => {
    const { inner, port, write } = faulty({ bits: { flippedShare: 0.2 } });
    for (let i = 0; i < 500; i++) write(line(i));
    const sent = Buffer.from(Array.from({ length: 500 }, (_, i) => line(i)).join(''));
    expect(inner.bytes.length).toBe(sent.length);
    let bits = 0;
    for (let i = 0; i < sent.length; i++) for (let odd = sent[i]! ^ inner.bytes[i]!; odd > 0; odd &= odd - 1) bits++;
    expect(bits).toBe(port.faults.flips);
    expect(bits).toBeGreaterThan(60);
  });

  it('accounts for every byte, whatever the plan', () => {
    const share = fc.double({ min: 0, max: 1, noNaN: true });
    const plans = fc.record({
      seed: fc.integer(), lines: fc.record({ lostShare: share, duplicatedShare: share }), chunks: fc.record({ splitShare: share, mergeShare: share }),
      bits: fc.record({ flippedShare: share }), garbage: fc.record({ share, maxBytes: fc.integer({ min: 1, max: 100 }) }),
      timeline: fc.constant([{ kind: 'stall', atS: 0.01, forS: 0.02 }]),
    });
    fc.assert(fc.property(plans, fc.array(fc.integer({ min: 0, max: 2_000 }), { maxLength: 60 }), (plan, sizes) => {
      const { inner, clock, port, write } = faulty(plan);
      for (const size of sizes) {
        write('0123456\r\n'.repeat(size).slice(0, size));
        clock.advance(1);
        const f = port.faults;
        expect(f.inBytes + f.duplicatedBytes + f.garbageBytes).toBe(f.outBytes + f.lostBytes + f.stalledBytes + f.heldBytes);
        expect(f.outBytes).toBe(inner.bytes.length);
      }
    }), { numRuns: 60 });
  });

  it('does the same for the same seed', () => {
    const run = (seed: number): string => {
      const { inner, write } = faulty({ seed, lines: { lostShare: 0.2, duplicatedShare: 0.2 }, garbage: { share: 0.2 }, chunks: { splitShare: 0.2 } });
      for (let i = 0; i < 100; i++) write(line(i));
      return inner.text;
    };
    expect(run(4)).toBe(run(4));
    expect(run(4)).not.toBe(run(5));
  });

  it('stalls and unplugs by its timeline, again and again, and wakes the instrument after', async () => {
    const told: string[] = [];
    const { inner, clock, port, write } = faulty({
      timeline: [{ kind: 'stall', atS: 1, forS: 1 }, { kind: 'unplug', atS: 3, forS: 1 }], repeatS: 10,
    }, { onPluggedIn: () => told.push('in'), onUnplugged: () => told.push('out') });
    const settle = async (): Promise<void> => {
      for (let i = 0; i < 5; i++) await Promise.resolve();
    };
    for (let round = 1; round <= 3; round++) {
      clock.advance(1_500);
      const before = inner.bytes.length;
      write(line(1));
      expect(inner.bytes.length).toBe(before);
      clock.advance(1_000);
      write(line(2));
      expect(inner.bytes.length).toBeGreaterThan(before);
      clock.advance(1_000);
      await settle();
      expect(inner.isPluggedIn).toBe(false);
      clock.advance(1_000);
      await settle();
      expect(inner.isPluggedIn).toBe(true);
      expect(port.faults.unplugs).toBe(round);
      clock.advance(5_500);
    }
    expect(told).toEqual(['out', 'in', 'out', 'in', 'out', 'in']);
    await port.close();
    expect(clock.pendingTimers).toBe(0);
  });
});
