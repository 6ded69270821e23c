import { describe, expect, it } from 'vitest';
import { SampleSource } from '../../../daemon/pipeline/sample-source.ts';
import type { DriverEvent } from '../../../drivers/api.ts';
import { TorsiondError, type ErrorCode } from '../../../shared/errors.ts';

const values = (channel: number, count: number, atMs: number): DriverEvent => ({ kind: 'values', channel, values: new Float64Array(count), unit: null, status: null, atMs });
const fault = (code: ErrorCode, channel: number | null, missing: number, atMs: number): DriverEvent => ({ kind: 'fault', error: new TorsiondError(code, 'made up'), channel, missing, atMs });
const sourceOf = (...ratesHz: (number | null)[]): SampleSource => new SampleSource({ instrument: 'bench-a', epoch: 2, ratesHz, silenceMs: 500 });

describe('SampleSource', () => {
  it('keeps each channel its own index, and gives a fault of all channels to all', () => {
    const source = sourceOf(100, 100);
    source.step(values(0, 3, 100));
    source.step(values(1, 5, 100));
    source.step(fault('VALUE_OVERLOAD', null, 2, 120));
    source.step(fault('VALUE_NOT_FINITE', 1, 1, 130));
    expect(source.step(values(0, 1, 130))[0]).toMatchObject({ channel: 'bench-a/1', epoch: 2, firstIndex: 5, gap: 'overload' });
    expect(source.step(values(1, 1, 140))[0]).toMatchObject({ channel: 'bench-a/2', firstIndex: 8, gap: 'overload' });
    expect(source.counters()).toEqual([
      { channel: 'bench-a/1', samples: 4, missing: 2, dropped: 0, steps: 0 }, { channel: 'bench-a/2', samples: 6, missing: 3, dropped: 0, steps: 0 },
    ]);
  });

  it('finds a silence in the arrivals, so that a replay finds the same', () => {
    const source = sourceOf(100);
    source.step(values(0, 1, 100));
    const made = Array.from({ length: 40 }, (_, i) => source.step(values(0, 1, 650 + 10 * i))).flat();
    expect(made[0]).toMatchObject({ gap: 'silence', firstIndex: 1, startMs: 650 });
    expect(made.slice(1).every((block) => block.gap === null)).toBe(true);
  });

  it('does not call a device silent that goes on reporting overload', () => {
    const source = sourceOf(10);
    source.step(values(0, 1, 100));
    for (let atMs = 200; atMs <= 2_000; atMs += 100) source.step(fault('VALUE_OVERLOAD', 0, 1, atMs));
    expect(source.step(values(0, 1, 2_100))[0]).toMatchObject({ gap: 'overload', firstIndex: 20 });
  });

  it('gives a slow channel the time of four samples before it counts as silent', () => {
    expect(sourceOf(1_000, 1).silenceLimitMs).toBe(4_000);
    expect(sourceOf(1_000, null).silenceLimitMs).toBe(500);
  });

  it('contradicts a declared rate that is more than 3 % wrong, not one that is 2 % wrong', () => {
    const run = (rateHz: number): SampleSource => {
      const source = sourceOf(100);
      for (let i = 0; i < 300; i++) source.step(values(0, 1, (i * 1_000) / rateHz));
      return source;
    };
    expect(run(102).rateFault()).toBeNull();
    expect(run(110).rateFault()).toMatchObject({ code: 'DEVICE_RATE', where: 'bench-a/1' });
  });
});
