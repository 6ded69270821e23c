/** Every cycle and every knock is told, and a channel that cannot arm says so. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { CaptureEvent } from '../../../daemon/capture/events.ts';
import { rederive } from '../../../daemon/capture/rederive.ts';
import { seeded } from '../../helpers/seeded.ts';
import { block, captured, engine, feed, interrupted, lines } from './shapes.ts';

const negative = (samples: readonly number[]): number[] => samples.map((value) => -value);
const dismissed = (events: readonly CaptureEvent[]) => events.filter((event) => event.kind === 'dismissed');
const states = (events: readonly CaptureEvent[]): string[] => events.flatMap((event) => (event.kind === 'state' ? [event.state] : []));
const values = (events: readonly CaptureEvent[]): number[] => captured(events).map((event) => Number(event.capture.value.toFixed(6)));
/** Rest, a pull to `top`, rest: on top of `offset`. */
const pull = (top: number, offset = 0): number[] => lines([0, 0], [600, 0], [1000, top], [1100, top], [1200, 0], [1900, 0]).map((value) => value + offset);

describe('torque that gives no reading', () => {
  it('a knock is told as too short, with what it reached', () => {
    const told = dismissed(feed(engine(), lines([0, 0], [300, 0], [305, 8], [310, 0], [900, 0])));
    expect(told).toEqual([{ kind: 'dismissed', reason: 'too-short', direction: 'cw', epoch: 1, maximum: 8, startMs: 301, durationMs: 9 }]);
  });

  it('a pull in the other direction than set is told once, when it is over', () => {
    const told = dismissed(feed(engine({ direction: 'cw' }), negative(pull(30))));
    expect(told).toMatchObject([{ reason: 'other-direction', direction: 'ccw', maximum: -30, startMs: 616 }]);
    expect(dismissed(engine({ direction: 'ccw' }).step(block(negative(pull(30)), 0)))).toEqual([]);
  });

  it('a pull in the other direction that a gap cuts is told', () => {
    const subject = engine({ direction: 'cw' });
    const samples = negative(pull(30));
    feed(subject, samples.slice(0, 1050));
    const events = subject.step(block(samples.slice(1051), 1051, { gap: 'lost-samples' }));
    expect(dismissed(events)).toMatchObject([{ reason: 'other-direction', maximum: -30 }]);
    expect(interrupted(events)).toEqual([]);
  });

  it('a track cycle that was neither still nor taken is told', () => {
    const restless = lines([0, 0], [600, 0], [1000, 20], [1400, 10], [1800, 25], [2000, 0], [2500, 0]);
    expect(dismissed(feed(engine({ mode: 'track' }), restless))).toMatchObject([{ reason: 'not-taken', maximum: 25 }]);
  });

  it('each stretch of torque of any record ends as exactly one reading, dismissal or interruption', () => {
    fc.assert(fc.property(fc.integer({ min: 0, max: 1e6 }), fc.constantFrom('cw', 'both'), fc.constantFrom('peak', 'track'), (seed, direction, mode) => {
      const random = seeded(seed);
      const samples: number[] = [];
      let touches = 0;
      for (let n = 0; n < 8; n++) {
        const length = random() < 0.4 ? 8 : 300 + Math.floor(400 * random());
        samples.push(...new Array<number>(400).fill(0), ...new Array<number>(length).fill((random() < 0.5 ? -1 : 1) * (5 + 30 * random())));
        touches++;
      }
      samples.push(...new Array<number>(400).fill(0));
      const events = feed(engine({ direction, mode, track: { stableMs: 200 } }), samples);
      expect(captured(events).length + dismissed(events).length + interrupted(events).length).toBe(touches);
    }), { numRuns: 40 });
  });
});

describe('the direction that is set', () => {
  it('a pull after a preload the other way, without rest between, is captured', () => {
    const preloaded = lines([0, 0], [300, 0], [500, -6], [800, -6], [1200, 30], [1300, 30], [1400, 0], [2000, 0]);
    const events = feed(engine({ direction: 'cw' }), preloaded);
    expect(values(events)).toEqual([30]);
    expect(dismissed(events)).toMatchObject([{ reason: 'other-direction', maximum: -6 }]);
    expect(captured(events)[0]!.capture.flags).toEqual([]);
  });

  it('a bounce the other way after a pull does not swallow the next one', () => {
    const bounced = lines([0, 0], [300, 0], [600, 30], [640, -4], [645, -4], [660, 4], [900, 32], [1000, 0], [1600, 0]);
    expect(values(feed(engine({ direction: 'cw' }), bounced))).toEqual([30, 32]);
  });
});

describe('a lone sample', () => {
  const held = pull(40);
  it.each([100, 1_000, 10_000])('of the other sign does not cut a pull in two, at %d S/s', (rateHz) => {
    const samples = Array.from({ length: 2 * rateHz }, (_, i): number => (i < rateHz / 2 || i >= rateHz * 1.5 ? 0 : 40));
    const at = rateHz;
    samples[at] = -55;
    const events = engine().step(block(samples, 0, { rateHz, spacingMs: 1000 / rateHz }));
    expect(captured(events).map((event) => event.capture.direction)).toEqual(['cw']);
    expect(captured(events)[0]!.capture.maximum).toBe(40);
    expect(dismissed(events)).toEqual([]);
  });

  it.each([-55, 55])('of %d at rest is told and does not delay the pull that follows', (spike) => {
    for (const before of spike < 0 ? [1, 5, 30, 90, 200] : [10, 30, 90, 200]) {
      const samples = [...held];
      // 612 is the first sample of the pull that arms, 606 the first above release.
      samples[612 - before] = spike;
      const events = feed(engine(), samples);
      expect(dismissed(events)).toMatchObject([{ reason: 'too-short', maximum: spike, durationMs: 1 }]);
      expect(values(events)).toEqual([40]);
      expect(captured(events)[0]!.trace.firstIndex + captured(events)[0]!.trace.evidence.cycleAt).toBe(612);
    }
  });

  it('a turn that lasts is a new cycle from its first sample on', () => {
    const turn = lines([0, 0], [300, 0], [800, 30], [801, -20], [1300, -20], [1500, 0], [2000, 0]);
    const events = captured(feed(engine(), turn));
    expect(events.map((event) => event.capture.value)).toEqual([30, -20]);
    expect(events[1]!.trace.firstIndex + events[1]!.trace.evidence.cycleAt).toBe(801);
    for (const { capture, trace } of events) expect(rederive(trace)).toEqual(capture);
  });
});

describe('a channel that is loaded at rest', () => {
  // Capacity 60: arms at 1.2, is released below 0.6.
  it.each([['between release and arming', 0.8], ['the other way', -0.8], ['noisy', 0.9]])('%s says so within 2 s, and recovers when unloaded', (what, offset) => {
    const random = seeded(3);
    const noise = what === 'noisy' ? 0.06 : 0.002;
    const samples = [...new Array<number>(1000).fill(0), ...new Array<number>(3000).fill(offset), ...new Array<number>(1000).fill(0)]
      .map((value) => value + noise * (random() + random() + random() - 1.5));
    const events = feed(engine(), samples).filter((event) => event.kind === 'state');
    expect(events.map(({ state }) => state)).toEqual(['loaded', 'armed']);
    expect(events[0]!.standing).toBeCloseTo(offset, 1);
    expect(events[0]!.atMs).toBeLessThanOrEqual(3000);
    expect(events[1]!.atMs).toBeLessThanOrEqual(4200);
  });

  it('says so of torque that was on from the start, still or not', () => {
    expect(states(feed(engine(), new Array<number>(3000).fill(5)))).toEqual(['loaded']);
    const restless = Array.from({ length: 3000 }, (_, i) => 20 + 3 * Math.sin(i / 30));
    expect(states(feed(engine(), [...restless, ...new Array<number>(300).fill(0)]))).toEqual(['loaded', 'armed']);
  });

  it('is armed again when the zero is taken', () => {
    const subject = engine();
    feed(subject, new Array<number>(2500).fill(5));
    expect(subject.standing).toBe(5);
    const device = new Float64Array(500).fill(5);
    subject.step(block(device, 2500, { device, torque: device.map(() => 0), conditioning: { unit: 'N.m', calibration: { kind: 'none' }, zero: 5, sign: 1 } }));
    expect([subject.state, subject.standing]).toEqual(['armed', null]);
  });

  it('captures each of nine pulls from an offset of 1.3 % of capacity, and flags them', () => {
    const samples = Array.from({ length: 9 }, (_, n) => pull(20 + n, 0.78)).flat();
    const events = feed(engine(), samples);
    expect(values(events)).toEqual(Array.from({ length: 9 }, (_, n) => 20.78 + n));
    expect(interrupted(events)).toEqual([]);
    for (const { capture, trace } of captured(events)) {
      expect(capture.flags).toEqual(['offset-at-rest']);
      expect(trace.evidence.restAfter).toBeCloseTo(0.78, 6);
      expect(rederive(trace)).toEqual(capture);
    }
  });

  it('keeps pulls apart when noise never lets the torque stay below the release threshold', () => {
    const random = seeded(5);
    const samples = [...pull(30, 0.57), ...pull(31, 0.57), ...pull(32, 0.57)].map((value) => value + 0.12 * (random() + random() + random() - 1.5));
    const events = feed(engine(), samples);
    expect(captured(events)).toHaveLength(3);
    expect(interrupted(events)).toEqual([]);
  });

  it('ends a pull under hum as high as the release threshold, and makes none of the hum', () => {
    const hummed = [...pull(30), ...pull(31), ...new Array<number>(1000).fill(0)].map((value, i) => value + 0.62 * Math.sin((2 * Math.PI * 50 * i) / 1000));
    const events = feed(engine(), hummed);
    expect(captured(events)).toHaveLength(2);
    expect(interrupted(events)).toEqual([]);
    const strong = Array.from({ length: 3000 }, (_, i) => 1.35 * Math.sin((2 * Math.PI * 50 * i) / 1000));
    expect(captured(feed(engine(), strong))).toEqual([]);
  });

  it('does the same with the direction set, loaded the other way beyond arming', () => {
    const samples = [...new Array<number>(2000).fill(-3), ...pull(30, -3), ...pull(31, -3)];
    const subject = engine({ direction: 'cw' });
    subject.step(block([0], 0));
    const events = feed(subject, samples, [256], 1);
    expect(values(events)).toEqual([27, 28]);
    for (const { capture } of captured(events)) expect(capture.flags).toEqual(['offset-at-rest']);
    expect(states(events)).toContain('loaded');
  });

  it('makes no reading of an offset that noise carries over the arming torque', () => {
    const random = seeded(11);
    const samples = [...new Array<number>(500).fill(0), ...new Array<number>(6000).fill(1.15), ...new Array<number>(500).fill(0)]
      .map((value) => value + 0.08 * (random() + random() + random() - 1.5));
    const events = feed(engine(), samples);
    expect(captured(events)).toEqual([]);
    expect(states(events)).toContain('loaded');
  });

  it('makes no reading of a zero that creeps away, and says loaded', () => {
    const samples = Array.from({ length: 60_000 }, (_, i) => (2.4 * i) / 60_000);
    const events = feed(engine(), samples);
    expect([captured(events), interrupted(events), dismissed(events)]).toEqual([[], [], []]);
    expect(states(events)).toContain('loaded');
    expect(states(events)).not.toContain('cycle');
  });

  it('leaves a slow pull alone: 1 % of capacity per second', () => {
    const events = feed(engine(), lines([0, 0], [500, 0], [30_500, 18], [31_000, 0], [31_600, 0]));
    expect(captured(events).map((event) => event.capture.flags)).toEqual([[]]);
    expect(dismissed(events)).toEqual([]);
  });
});

it('any split of such samples gives the same events', () => {
  const random = seeded(7);
  const noisy = (samples: readonly number[]): number[] => samples.map((value) => value + 0.03 * (random() - 0.5));
  const spiked = pull(30);
  spiked[590] = 55;
  spiked[1050] = -55;
  const samples = noisy([
    ...spiked, ...negative(pull(25)), ...pull(20, 0.8), ...pull(22, 0.8), ...new Array<number>(1500).fill(0.8), ...pull(12), ...new Array<number>(2000).fill(-2.5), ...pull(30, -2.5),
    ...lines([0, 0], [300, 0], [303, 9], [306, 0], [340, 0], [343, 9], [346, 0], [500, 0], [503, 9], [560, 12], [700, 0], [1000, 0]),
  ]);
  for (const settings of [{ mode: 'peak' }, { mode: 'first-peak', direction: 'cw' }, { mode: 'track', direction: 'ccw', track: { stableMs: 300 } }] as const) {
    const outcome = (cuts: readonly number[]): unknown => {
      const subject = engine(settings);
      return [...feed(subject, samples, cuts), ...subject.end('record-ended')];
    };
    const whole = outcome([samples.length]);
    fc.assert(fc.property(fc.array(fc.integer({ min: 1, max: 700 }), { minLength: 1, maxLength: 30 }), (cuts) => {
      expect(outcome(cuts)).toEqual(whole);
    }), { numRuns: 25 });
  }
});
