/** Torque curves and blocks for the capture tests, plain enough to know the answer by hand. */
import { CaptureEngine } from '../../../daemon/capture/capture-engine.ts';
import type { CaptureEvent } from '../../../daemon/capture/events.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import type { Conditioning, SampleBlock } from '../../../shared/sample-block.ts';
import type * as z from 'zod';

export const RATE = 1000;
export const CAPACITY = 60;
export const PLAIN: Conditioning = { unit: 'N.m', calibration: { kind: 'none' }, zero: 0, sign: 1 };

/** Straight lines through [ms, torque] points, one sample each ms. */
export function lines(...points: readonly (readonly [number, number])[]): number[] {
  const samples: number[] = [];
  for (let p = 1; p < points.length; p++) {
    const [t0, y0] = points[p - 1]!;
    const [t1, y1] = points[p]!;
    for (let t = t0; t < t1; t++) samples.push(y0 + ((y1 - y0) * (t - t0)) / (t1 - t0));
  }
  return samples;
}

/** Up to 40 N.m in 1 s, held 0.5 s, let go in 0.2 s. */
export const SMOOTH = lines([0, 0], [500, 0], [1500, 40], [2000, 40], [2200, 0], [3000, 0]);
/** A click at 40 N.m that falls to 34 within 15 ms, free travel, then over-torque to 48, let go. */
export const CLICK = lines([0, 0], [500, 0], [1500, 40], [1515, 34], [1570, 34.5], [1900, 48], [2100, 0], [3000, 0]);

export function engine(settings: Partial<z.input<typeof CaptureSettings>> = {}): CaptureEngine {
  return new CaptureEngine({
    settings: CaptureSettings.parse({ mode: 'peak', ...settings }),
    facts: {
      channel: 'a/1', software: 'test', capacity: CAPACITY, isSimulated: false,
      transducer: { serialNumber: 'HF-T-001', capacity: CAPACITY, lowestTorque: null, calibrationDue: null, uncertainty: null },
    },
    toWallMs: (monoMs) => 1_000_000 + monoMs,
  });
}

export function block(samples: ArrayLike<number>, firstIndex: number, more: Partial<SampleBlock> = {}): SampleBlock {
  const torque = Float64Array.from(samples);
  return {
    channel: 'a/1', epoch: 1, firstIndex, gap: firstIndex === 0 ? 'connected' : null, startMs: firstIndex, spacingMs: 1, rateHz: RATE,
    timeEstimated: false, unit: null, device: torque, status: null, torque, conditioning: PLAIN, ...more,
  };
}

/** Feeds samples in blocks; cuts repeat. */
export function feed(subject: CaptureEngine, samples: readonly number[], cuts: readonly number[] = [256], from = 0): CaptureEvent[] {
  const events: CaptureEvent[] = [];
  for (let at = 0, i = 0; at < samples.length; i++) {
    const count = Math.min(cuts[i % cuts.length]!, samples.length - at);
    events.push(...subject.step(block(samples.slice(at, at + count), from + at)));
    at += count;
  }
  return events;
}

export type Captured = Extract<CaptureEvent, { kind: 'captured' }>;
export const captured = (events: readonly CaptureEvent[]): Captured[] => events.filter((event) => event.kind === 'captured');
export const interrupted = (events: readonly CaptureEvent[]): string[] => events.flatMap((event) => (event.kind === 'interrupted' ? [event.reason] : []));
