import { expect, it } from 'vitest';
import { SampleHistory } from '../../../daemon/capture/sample-history.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import { block } from './shapes.ts';

const counting = (from: number, count: number): Float64Array => Float64Array.from({ length: count }, (_, i) => from + i);

it('gives the memory of a long cycle back, and keeps what it should', () => {
  const history = new SampleHistory();
  for (let at = 0; at < 1_000_000; at += 10_000) history.append(block(counting(at, 10_000), at));
  expect(history.room).toBeGreaterThanOrEqual(1_000_000);
  history.keepLast(250);
  expect(history.room).toBeLessThan(10_000);
  expect([...history.device(0, 250)]).toEqual([...counting(999_750, 250)]);
  history.append(block(counting(1_000_000, 1_000), 1_000_000));
  expect(history.device(249, 251)).toEqual(Float64Array.of(999_999, 1_000_000));
});

it('cannot be asked to keep more than memory has: times in the settings have an upper limit', () => {
  for (const detector of [{ maxDurationMs: 1e9 }, { preRollMs: 1e9 }, { clickFallMs: 1e9 }, { clickConfirmMs: 1e9 }]) {
    expect(CaptureSettings.safeParse({ detector }).success).toBe(false);
  }
  expect(CaptureSettings.safeParse({ track: { averageMs: 1e9 } }).success).toBe(false);
});
