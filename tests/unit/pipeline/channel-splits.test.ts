/** Block borders mean nothing, for the whole way of a channel: zero, gaps, status, hold, filter and capture together. */
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { rederive } from '../../../daemon/capture/rederive.ts';
import { ChannelPipeline, type Outcome } from '../../../daemon/pipeline/channel-pipeline.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import { TransducerSettings } from '../../../shared/transducer.ts';
import { seeded } from '../../helpers/seeded.ts';

const SECONDS = 12;

interface Run {
  readonly seed: number;
  readonly rateHz: number;
  readonly mode: CaptureSettings['mode'];
  readonly direction: CaptureSettings['direction'];
  readonly holdMs: number;
  readonly isFiltered: boolean;
}

/** Pulls to both sides, slow and abrupt, at random. */
function pulls(rateHz: number, random: () => number): number[] {
  let torque = 0;
  let aim = 0;
  let left = 0;
  return Array.from({ length: SECONDS * rateHz }, () => {
    if (left-- <= 0) {
      aim = random() < 0.4 ? 0.6 * (random() - 0.5) : 120 * (random() - 0.5);
      left = Math.round(random() * rateHz);
    }
    torque += (aim - torque) * Math.min(1, (random() < 0.02 ? 200 : 15) / rateHz);
    return Number((torque + 0.05 * (random() - 0.5)).toFixed(3));
  });
}

function play(run: Run, nextCut: () => number): { outcomes: Outcome[]; torque: number[] } {
  const { rateHz, mode, direction, holdMs, isFiltered } = run;
  const random = seeded(run.seed);
  const values = pulls(rateHz, random);
  const status = Uint8Array.from(values, () => (random() < 0.0005 ? 1 : 0));
  const gaps = new Set([random(), random(), random()].map((share) => Math.floor(share * values.length)));
  const zeroAt = Math.floor(random() * values.length);
  const pipeline = new ChannelPipeline({
    channel: 'a/1', source: null, unit: 'N.m', sign: 1, zero: { kind: 'automatic', quietMs: 300 }, software: 'test', toWallMs: (ms) => ms, isSimulated: false,
    transducer: TransducerSettings.parse({ serialNumber: 'HF-T-001', capacity: 60 }),
    capture: CaptureSettings.parse({ mode, direction, holdMs, filter: isFiltered ? { kind: 'butterworth', order: 4, cutoffHz: rateHz / 10 } : { kind: 'none' } }),
  });
  const outcomes: Outcome[] = [];
  const torque: number[] = [];
  pipeline.outcomes$.subscribe((outcome) => outcomes.push(outcome));
  pipeline.samples$.subscribe((block) => torque.push(...block.torque));
  // A sum of such spacings is exact, so the times below do not hang on the cuts either.
  const spacingMs = Math.round((1_000 / rateHz) * 2 ** 20) / 2 ** 20;
  for (let at = 0; at < values.length;) {
    const borders = [...gaps, zeroAt].filter((border) => border > at);
    const to = Math.min(values.length, at + nextCut(), ...borders);
    if (at === zeroAt) void pipeline.zero().catch(() => {});
    pipeline.push({
      channel: 'a/1', epoch: 1, firstIndex: at, gap: at === 0 ? 'connected' : gaps.has(at) ? 'bad-sample' : null, startMs: at * spacingMs, spacingMs, rateHz,
      timeEstimated: false, unit: null, device: Float64Array.from(values.slice(at, to)), status: status.slice(at, to),
    });
    at = to;
  }
  pipeline.end('record-ended');
  return { outcomes, torque };
}

it('gives the same torque, events, readings and traces for any split, and readings that derive again', () => {
  const runs = fc.record({
    seed: fc.integer({ min: 0, max: 1e6 }), rateHz: fc.constantFrom(100, 333, 1_000, 3_000), mode: fc.constantFrom('track', 'peak', 'first-peak'),
    direction: fc.constantFrom('both', 'cw', 'ccw'), holdMs: fc.constantFrom(0, 300, 2_000), isFiltered: fc.boolean(),
  });
  // Drawn runs may be all track, or all counter-clockwise pulls asked for clockwise: these two are sure to give readings.
  const sure = (['peak', 'first-peak'] as const).map((mode): [Run, number] => [{ seed: 5, rateHz: 1_000, mode, direction: 'both', holdMs: 300, isFiltered: true }, 700]);
  let readings = 0;
  fc.assert(fc.property(runs, fc.integer({ min: 1, max: 3_000 }), (run: Run, largest) => {
    const random = seeded(run.seed + 1);
    const whole = play(run, () => 256);
    const cut = play(run, () => 1 + Math.floor(random() * largest));
    expect(cut.torque).toEqual(whole.torque);
    expect(cut.outcomes).toEqual(whole.outcomes);
    for (const outcome of whole.outcomes) {
      if (outcome.kind !== 'reading') continue;
      readings++;
      const { value, maximum, direction } = outcome.reading;
      expect(rederive(outcome.trace)).toMatchObject({ value, maximum, direction });
      expect(Number.isFinite(value) && Number.isFinite(maximum)).toBe(true);
      expect(value === 0 || value < 0 === (direction === 'ccw')).toBe(true);
    }
  }), { numRuns: 30, examples: sure });
  expect(readings).toBeGreaterThanOrEqual(6);
});
