/** Impulse tools: one reading for a run-down, and the pulses counted. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { PulseCounter } from '../../../daemon/capture/pulse-counter.ts';
import { rederive } from '../../../daemon/capture/rederive.ts';
import { whatIf } from '../../../daemon/capture/what-if.ts';
import { checkCapture } from '../../../daemon/capture/defaults.ts';
import type { CaptureEvent } from '../../../daemon/capture/events.ts';
import { runPulseTool } from '../../../simulator/tools/pulse-tool.ts';
import { block, captured, engine, interrupted } from './shapes.ts';

/** Spaced by an eighth of a ms, which doubles hold exactly: times do not hang on the cuts. */
const RATE = 8_000;
const CAPACITY = 60;

/** Half sines of `widthMs` from a floor, `hz` a second, at RATE; 0.5 s of rest on both sides. */
function train(heights: readonly number[], hz: number, widthMs: number, floor = 0): number[] {
  const period = RATE / hz;
  const width = (widthMs * RATE) / 1000;
  const rest = new Array<number>(RATE / 2).fill(0);
  const run = heights.flatMap((height) => Array.from({ length: period }, (_, i) => (i < width ? floor + (height - floor) * Math.sin((Math.PI * (i + 0.5)) / width) : floor)));
  return [...rest, ...run, ...rest];
}

function feed(settings: Parameters<typeof engine>[0], samples: readonly number[], cuts: readonly number[] = [256]): CaptureEvent[] {
  const subject = engine(settings);
  const events: CaptureEvent[] = [];
  for (let at = 0, n = 0; at < samples.length; n++) {
    const part = samples.slice(at, at + cuts[n % cuts.length]!);
    events.push(...subject.step(block(part, at, { rateHz: RATE, spacingMs: 0.125, startMs: at / 8 })));
    at += part.length;
  }
  return [...events, ...subject.end('record-ended')];
}

const dismissed = (events: readonly CaptureEvent[]): string[] => events.flatMap((event) => (event.kind === 'dismissed' ? [event.reason] : []));
const HEIGHTS = [20, 26, 30, 33, 35, 36, 37, 36.5, 37.5, 37];
/** What the samples themselves reach. */
const top = (height: number, widthMs: number): number => height * Math.sin((Math.PI * ((widthMs * RATE) / 2000 - 0.5)) / ((widthMs * RATE) / 1000));

describe.each(['peak', 'first-peak'] as const)('a run-down in %s', (mode) => {
  it.each([[10, 3], [10, 10], [20, 5], [32, 8], [40, 3], [40, 10]])('at %d pulses a second of %d ms is one reading, the highest', (hz, widthMs) => {
    for (const sign of [1, -1]) {
      const events = feed({ mode }, train(HEIGHTS.map((height) => sign * height), hz, widthMs));
      expect(captured(events).map(({ capture }) => capture.value)).toEqual([expect.closeTo(sign * top(37.5, widthMs), 6)]);
      expect([dismissed(events), interrupted(events)]).toEqual([[], []]);
      const [only] = captured(events);
      if (mode === 'first-peak') expect(only!.capture.click).toBe(false);
      expect(rederive(only!.trace)).toEqual(only!.capture);
      expect(events.filter((event) => event.kind === 'click')).toEqual([]);
      expect(events.filter((event) => event.kind === 'cycle-started')).toHaveLength(1);
    }
  });

  it('takes one or two knocks for knocks, told once', () => {
    expect(dismissed(feed({ mode }, train([20], 10, 5)))).toEqual(['too-short']);
    expect(dismissed(feed({ mode }, train([20, 22], 10, 5)))).toEqual(['too-short']);
    expect(dismissed(feed({ mode }, train([20, 22, 21], 3, 5)))).toEqual(['too-short', 'too-short', 'too-short']);
  });

  it('takes no bounces after a pull for a run-down', () => {
    const pull = Array.from({ length: RATE }, (_, i) => 40 * Math.sin((Math.PI * i) / RATE));
    const bounces = train([9, 7, 6, 3], 12, 8).slice(RATE / 2 - 200);
    const events = feed({ mode }, [...new Array<number>(RATE).fill(0), ...pull, ...bounces]);
    expect(captured(events).map(({ capture }) => Number(capture.value.toFixed(3)))).toEqual([40]);
    expect(dismissed(events)).toEqual(['too-short']);
  });

  it('keeps a pull that follows two knocks apart from them', () => {
    const knocks = train([8, 9], 10, 5).slice(0, -RATE / 2);
    const pull = Array.from({ length: RATE }, (_, i) => 30 * Math.sin((Math.PI * i) / RATE));
    const events = feed({ mode }, [...knocks, ...pull, ...new Array<number>(RATE).fill(0)]);
    expect(dismissed(events)).toEqual(['too-short']);
    expect(captured(events).map(({ capture }) => Number(capture.value.toFixed(3)))).toEqual([30]);
    expect(captured(events)[0]!.capture.durationMs).toBeGreaterThan(950);
  });
});

describe('the mode pulse', () => {
  it('counts the pulses and gives the highest, the mean of the last n and how long it took', () => {
    const [only, ...rest] = captured(feed({ mode: 'pulse', pulse: { last: 3 } }, train(HEIGHTS, 20, 8)));
    expect(rest).toEqual([]);
    expect(only!.capture).toMatchObject({
      value: expect.closeTo(top(37.5, 8), 6) as number, direction: 'cw', flags: [],
      pulse: { count: 10, highest: only!.capture.value, last: expect.closeTo(top(37, 8), 6) as number, meanOfLast: expect.closeTo(top(37, 8), 6) as number, meanOf: 3, durationMs: expect.closeTo(450, 6) as number },
    });
    expect(rederive(only!.trace)).toEqual(only!.capture);
  });

  it('judges the mean of the last ones when that is set, counter-clockwise negative', () => {
    const [only] = captured(feed({ mode: 'pulse', pulse: { last: 20, value: 'mean-of-last' } }, train(HEIGHTS.map((height) => -height), 20, 8)));
    const mean = HEIGHTS.reduce((sum, height) => sum + top(height, 8), 0) / HEIGHTS.length;
    expect(only!.capture.value).toBeCloseTo(-mean, 6);
    expect(only!.capture.pulse).toMatchObject({ count: 10, meanOf: 10, highest: expect.closeTo(-top(37.5, 8), 6) as number });
  });

  it('counts pulses on top of a torque that stays', () => {
    const [only] = captured(feed({ mode: 'pulse' }, train(HEIGHTS, 20, 8, 9)));
    expect(only!.capture.pulse!.count).toBe(10);
    expect(only!.capture.pulse!.highest).toBeCloseTo(9 + (top(37.5, 8) / 37.5) * 28.5, 6);
  });

  it.each([0, 0.3])('counts the blows of the simulated tool, with their heights; %d of each stays on', (residual) => {
    const run = runPulseTool({ heights: HEIGHTS, widthS: 0.007, periodS: 0.04, residual, direction: 'ccw' });
    const samples = Array.from({ length: 2 * RATE }, (_, i) => run.torqueAt(i / RATE - 0.5));
    const [only, ...rest] = captured(feed({ mode: 'pulse', pulse: { last: 4 } }, samples));
    expect(rest).toEqual([]);
    const heights = run.pulses.map(({ height }) => height);
    const { pulse, value } = only!.capture;
    expect(pulse).toMatchObject({ count: heights.length, meanOf: 4, highest: value });
    // At 56 samples a blow the crest is missed by 0.1 % at most.
    const near = (torque: number, truth: number): void => expect(Math.abs(torque / truth - 1)).toBeLessThan(0.001);
    near(value, Math.min(...heights));
    near(pulse!.last, heights.at(-1)!);
    near(pulse!.meanOfLast, heights.slice(-4).reduce((sum, height) => sum + height, 0) / 4);
    expect(Math.abs(pulse!.durationMs - 9 * 40)).toBeLessThan(0.5);
  });

  it('counts no ringing, no noise and no single spiked sample', () => {
    let state = 1;
    const noise = (): number => {
      state = (state * 48_271) % 2_147_483_647;
      return state / 2_147_483_647 - 0.5;
    };
    const samples = train(HEIGHTS, 20, 8).map((value, i) => value + 0.3 * noise() + (value === 0 && i > RATE / 2 && i < RATE ? 5 * Math.exp(-(i % 400) / 100) * Math.sin(i / 14) : 0));
    samples[RATE / 2 + 1_000] = 55;
    const [only] = captured(feed({ mode: 'pulse' }, samples));
    expect(only!.capture.pulse!.count).toBe(10);
    expect(only!.capture.value).toBeLessThan(38);
  });

  it('says when a crest may have been missed between two samples, and refuses rates that see none', () => {
    const settings = engine({ mode: 'pulse' }).settings;
    expect(checkCapture(settings, 500, CAPACITY).map(({ code }) => code)).toEqual(['RATE_TOO_LOW']);
    expect(checkCapture(settings, 1_000, CAPACITY)).toEqual([]);
    // A pulse of 1 ms has 8 samples: up to 2 % may be missed.
    expect(captured(feed({ mode: 'pulse' }, train(HEIGHTS, 20, 1))).flatMap(({ capture }) => capture.flags)).toContain('rate-too-low');
    expect(captured(feed({ mode: 'pulse' }, train(HEIGHTS, 20, 3))).flatMap(({ capture }) => capture.flags)).toEqual([]);
  });

  it('a run-down that pauses is one within the time that is set', () => {
    const paused = [...train(HEIGHTS.slice(0, 5), 20, 8).slice(0, -RATE / 2), ...new Array<number>(0.4 * RATE).fill(0), ...train(HEIGHTS.slice(5), 20, 8).slice(RATE / 2), ...new Array<number>(RATE).fill(0)];
    const counts = (gapMs: number): (number | undefined)[] => captured(feed({ mode: 'pulse', pulse: { gapMs } }, paused)).map(({ capture }) => capture.pulse?.count);
    expect(counts(250)).toEqual([5, 5]);
    expect(counts(600)).toEqual([10]);
  });

  it('shows what it would have made of a reading in peak, and the other way round', () => {
    const [peak] = captured(feed({ mode: 'peak' }, train(HEIGHTS, 20, 8)));
    expect(whatIf(peak!.trace, engine({ mode: 'pulse' }).settings)!.pulse!.count).toBe(10);
    const [pulse] = captured(feed({ mode: 'pulse' }, train(HEIGHTS, 20, 8)));
    expect(whatIf(pulse!.trace, engine({ mode: 'peak' }).settings)).toMatchObject({ value: pulse!.capture.maximum });
  });

  it('any split of the samples gives the same events, and readings that derive again', () => {
    const samples = [...train(HEIGHTS, 20, 8, 3), ...train([20, 21], 10, 5), ...train(HEIGHTS.map((height) => -height), 16, 4)];
    for (const mode of ['pulse', 'first-peak'] as const) {
      const whole = feed({ mode }, samples, [samples.length]);
      expect(captured(whole)).toHaveLength(2);
      for (const { capture, trace } of captured(whole)) expect(rederive(trace)).toEqual(capture);
      fc.assert(fc.property(fc.array(fc.integer({ min: 1, max: 3_000 }), { minLength: 1, maxLength: 20 }), (cuts) => {
        expect(feed({ mode }, samples, cuts)).toEqual(whole);
      }), { numRuns: 20 });
    }
  });
});

describe('the counter', () => {
  it('finds nothing where nothing stands out', () => {
    const counter = new PulseCounter({ standsOut: 0.25, least: 1, last: 3 });
    counter.push(Float64Array.from({ length: 500 }, (_, i) => i / 10), 500);
    expect(counter.pulses).toBeNull();
  });
});
