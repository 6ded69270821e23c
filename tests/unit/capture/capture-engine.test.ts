import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { STATUS } from '../../../shared/sample-block.ts';
import { rederive } from '../../../daemon/capture/rederive.ts';
import { CLICK, PLAIN, SMOOTH, block, captured, engine, feed, interrupted, lines } from './shapes.ts';

const negative = (samples: readonly number[]): number[] => samples.map((value) => -value);

describe('peak', () => {
  it('gives one reading per cycle with the highest torque, from arming to the last sample above release', () => {
    const [only, ...rest] = captured(feed(engine(), SMOOTH));
    expect(rest).toEqual([]);
    expect(only!.capture).toMatchObject({ value: 40, maximum: 40, direction: 'cw', flags: [] });
    // 2 % of 60 N.m = 1.2 N.m is reached 30 ms up the ramp; 0.6 N.m is left 197 ms after letting go.
    expect(only!.capture.durationMs).toBe(1668);
    expect(only!.trace.evidence.cycleAt).toBe(250);
    expect(only!.trace.startWallMs).toBe(1_000_000 + 530 - 250);
  });

  it('keeps the sign: counter-clockwise is negative', () => {
    const [only] = captured(feed(engine(), negative(SMOOTH)));
    expect(only!.capture).toMatchObject({ value: -40, maximum: -40, direction: 'ccw' });
  });

  it('takes an immediate turn to the other direction as a new cycle', () => {
    const turn = lines([0, 0], [300, 0], [800, 30], [1300, -20], [1500, 0], [2000, 0]);
    expect(captured(feed(engine(), turn)).map((event) => event.capture.value)).toEqual([30, -20]);
  });

  it('captures only the direction that is set', () => {
    const both = [...SMOOTH, ...negative(SMOOTH), ...SMOOTH];
    expect(captured(feed(engine({ direction: 'ccw' }), both)).map((event) => event.capture.value)).toEqual([-40]);
  });

  it('does not take a knock for a cycle', () => {
    const events = feed(engine(), lines([0, 0], [300, 0], [305, 8], [310, 0], [900, 0]));
    expect(captured(events)).toEqual([]);
    expect(events.map((event) => event.kind).filter((kind) => kind !== 'state')).toEqual(['dismissed']);
  });

  it('begins where the target says when that is more than a share of capacity', () => {
    const small = lines([0, 0], [300, 0], [600, 2], [900, 0], [1300, 0]);
    expect(captured(feed(engine(), small))).toHaveLength(1);
    expect(captured(feed(engine({ limits: { kind: 'absolute', target: 50, low: 48, high: 52 } }), small))).toHaveLength(0);
  });

  it('flags torque beyond capacity, what the device reports, and a rise too steep for the rate', () => {
    const beyond = lines([0, 0], [300, 0], [1300, 61], [1500, 0], [2000, 0]);
    expect(captured(feed(engine(), beyond))[0]!.capture.flags).toEqual(['over-capacity']);
    const subject = engine();
    const status = new Uint8Array(SMOOTH.length);
    status[1700] = STATUS.overload | STATUS.unstable;
    const [only] = captured(subject.step(block(SMOOTH, 0, { status })));
    expect(only!.capture.flags).toEqual(['overload', 'unstable']);
    expect(only!.trace.status!.filter((bits) => bits !== 0)).toHaveLength(1);
    status.fill(0);
    // Before the cycle: kept in the trace, no flag of the reading.
    status[400] = STATUS.overload;
    const [before] = captured(engine().step(block(SMOOTH, 0, { status })));
    expect(before!.capture.flags).toEqual([]);
    expect(before!.trace.status!.filter((bits) => bits !== 0)).toHaveLength(1);
    expect(rederive(before!.trace).flags).toEqual([]);
    const steep = lines([0, 0], [300, 0], [340, 40], [345, 0], [900, 0]);
    expect(captured(feed(engine(), steep))[0]!.capture.flags).toEqual(['rate-too-low']);
  });

  it('does not let the pull before into the low-pass, however slow that is', () => {
    const filter = { kind: 'butterworth', order: 2, cutoffHz: 2 } as const;
    const again = lines([0, 0], [300, 0], [800, 40], [1500, 40], [1520, 0], [1570, 0], [1600, 6], [2600, 6], [2620, 0], [3200, 0]);
    const values = captured(feed(engine({ filter }), again)).map((event) => event.capture.value);
    expect(values[1]).toBeGreaterThan(5);
    expect(values[1]).toBeLessThan(6.5);
    const turn = lines([0, 0], [300, 0], [800, 40], [1500, 40], [1520, -6], [1560, -6], [1580, 0], [3000, 0]);
    const [, other] = captured(feed(engine({ filter }), turn));
    expect(other!.capture.direction).toBe('ccw');
    expect(other!.capture.value).toBeLessThan(0);
  });

  it('says when a low-pass moved the highest torque', () => {
    const spike = lines([0, 0], [300, 0], [800, 30], [803, 40], [806, 30], [1000, 30], [1200, 0], [1800, 0]);
    const [only] = captured(feed(engine({ filter: { kind: 'butterworth', order: 2, cutoffHz: 20 } }), spike));
    expect(only!.capture.flags).toEqual(['filtered-step']);
    expect(only!.capture.value).toBeGreaterThan(30);
    expect(only!.capture.value).toBeLessThan(36);
  });
});

describe('first-peak', () => {
  it('gives the torque at the click and the highest torque after it', () => {
    const events = feed(engine({ mode: 'first-peak' }), CLICK);
    expect(captured(events)[0]!.capture).toMatchObject({ value: 40, maximum: 48, click: true });
    const click = events.find((event) => event.kind === 'click');
    expect(click).toMatchObject({ torque: 40, index: 1500 });
  });

  it('gives the highest torque and no click when nothing breaks', () => {
    expect(captured(feed(engine({ mode: 'first-peak' }), SMOOTH))[0]!.capture).toMatchObject({ value: 40, maximum: 40, click: false });
  });

  it.each([
    ['easing off by 8 % over 0.4 s and coming back', lines([0, 0], [500, 0], [1500, 40], [1900, 36.8], [2600, 45], [2800, 0], [3500, 0])],
    ['letting go within 60 ms', lines([0, 0], [500, 0], [1500, 40], [1560, 0], [2500, 0])],
    ['a clutch that shuts off', lines([0, 0], [500, 0], [700, 40], [706, 0], [1500, 0])],
    ['tremor of 1 % at 10 Hz', lines([0, 0], [500, 0], [1500, 40], [3500, 41], [3700, 0], [4400, 0]).map((value, i) => value * (1 + 0.01 * Math.sin((2 * Math.PI * 10 * i) / 1000)))],
  ])('does not take %s for a click', (_what, samples) => {
    expect(captured(feed(engine({ mode: 'first-peak' }), samples))[0]!.capture.click).toBe(false);
  });

  it('takes the first of several breaks', () => {
    const slips = lines([0, 0], [500, 0], [1500, 30], [1510, 20], [1800, 31], [1810, 20], [2100, 32], [2200, 0], [3000, 0]);
    expect(captured(feed(engine({ mode: 'first-peak' }), slips))[0]!.capture).toMatchObject({ value: 30, maximum: expect.closeTo(32, 1) as number, click: true });
  });
});

describe('track', () => {
  const held = lines([0, 0], [500, 0], [1500, 30], [4000, 30], [4300, 0], [5000, 0]);

  it('takes the reading by itself when the torque has been still, once per cycle', () => {
    const events = captured(feed(engine({ mode: 'track' }), held));
    expect(events.map((event) => [event.capture.value, event.trace.evidence.takenBy])).toEqual([[30, 'still']]);
  });

  it('takes it on command, also below zero; at rest only as a zero check', () => {
    const subject = engine({ mode: 'track', track: { stableMs: null } });
    feed(subject, negative(held.slice(0, 1800)));
    expect(subject.latch()).toMatchObject({ kind: 'captured', capture: { value: -30, direction: 'ccw' }, trace: { evidence: { takenBy: 'command' } } });
    const rest = engine({ mode: 'track' });
    feed(rest, lines([0, 0.25], [400, 0.25]));
    expect(() => rest.latch()).toThrow(/1\.2 N·m at least; the torque is 0\.25 N·m/);
    expect(rest.latch(true)).toMatchObject({ capture: { value: 0.25 }, trace: { evidence: { takenBy: 'zero-check' } } });
  });

  it('taken by hand is not taken again because it is still', () => {
    const subject = engine({ mode: 'track' });
    feed(subject, held.slice(0, 1800));
    expect(subject.latch()).not.toBeNull();
    expect(captured(feed(subject, held.slice(1800), [256], 1800))).toEqual([]);
  });

  it('begins where its mean begins', () => {
    const [only] = captured(feed(engine({ mode: 'track' }), held));
    const { evidence } = only!.trace;
    expect(evidence.takenAt! - evidence.cycleAt + 1).toBe(100);
    expect(only!.capture.durationMs).toBe(100);
  });

  it('is still only when samples span the time, also at 1 S/s', () => {
    const slow = block([0, 0, 0, 10, 20, 30, 30, 30, 0], 0, { rateHz: 1, spacingMs: 1000 });
    expect(captured(engine({ mode: 'track' }).step(slow)).map((event) => event.capture.value)).toEqual([30]);
  });

  it('has nothing to take before the first samples', () => {
    expect(engine({ mode: 'track' }).latch()).toBeNull();
  });
});

describe('hold', () => {
  it('arms again after the hold time, and after release when torque is on then', () => {
    const twice = [...SMOOTH, ...SMOOTH];
    expect(captured(feed(engine({ holdMs: 0 }), twice))).toHaveLength(2);
    // Held 2.6 s after the first cycle: that ends in the middle of the second, which is not judged.
    const events = feed(engine({ holdMs: 2600 }), [...twice, ...SMOOTH]);
    expect(captured(events)).toHaveLength(2);
    expect(events.filter((event) => event.kind === 'interrupted')).toMatchObject([{ reason: 'already-loaded', direction: 'cw', maximum: 40 }]);
  });

  it('follows new settings, but not when it was asked for', () => {
    const subject = engine({ holdMs: null });
    feed(subject, SMOOTH);
    subject.reconfigure({ ...subject.settings, holdMs: 0 });
    expect(subject.state).toBe('armed');
    expect(captured(feed(subject, SMOOTH, [256], SMOOTH.length))).toHaveLength(1);
    subject.hold();
    subject.reconfigure({ ...subject.settings, mode: 'first-peak' });
    expect(subject.state).toBe('held');
  });

  it('by hand stays held until armed', () => {
    const subject = engine({ holdMs: null });
    expect(captured(feed(subject, [...SMOOTH, ...SMOOTH]))).toHaveLength(1);
    expect(subject.state).toBe('held');
    subject.arm();
    expect(captured(feed(subject, SMOOTH, [256], 2 * SMOOTH.length))).toHaveLength(1);
  });

  it('on command interrupts a running cycle', () => {
    const subject = engine();
    feed(subject, SMOOTH.slice(0, 1500));
    expect(interrupted(subject.hold())).toEqual(['stopped']);
    expect(captured(feed(subject, SMOOTH.slice(1500), [256], 1500))).toEqual([]);
  });
});

describe('what cannot be judged', () => {
  it.each([
    ['bad-sample', 'bad-sample'], ['overload', 'overload'], ['lost-samples', 'gap'], ['silence', 'gap'], ['connected', 'gap'],
  ] as const)('a gap (%s) ends the cycle as %s, and the rest of it gives nothing', (gap, reason) => {
    const subject = engine();
    feed(subject, SMOOTH.slice(0, 1600));
    const events = subject.step(block(SMOOTH.slice(1601), 1601, { gap }));
    expect(interrupted(events)).toEqual([reason]);
    expect(captured(events)).toEqual([]);
    expect(captured(feed(subject, SMOOTH, [256], SMOOTH.length))).toHaveLength(1);
  });

  it('a gap ends the cycle where it is, not at the end of its block', () => {
    const subject = engine();
    feed(subject, SMOOTH.slice(0, 1600));
    expect(subject.step(block(SMOOTH.slice(1601), 1601, { gap: 'bad-sample' })).filter((event) => event.kind === 'state')).toEqual([{ kind: 'state', state: 'armed', standing: null, atMs: 1601 }]);
  });

  it('a jump of the index is a gap even when nobody says so', () => {
    const subject = engine();
    feed(subject, SMOOTH.slice(0, 1600));
    expect(interrupted(subject.step(block(SMOOTH.slice(1700), 1700)))).toEqual(['gap']);
  });

  it('torque that is on when the samples begin is told once, at its release', () => {
    const events = feed(engine(), SMOOTH.slice(1600));
    expect(captured(events)).toEqual([]);
    expect(events.filter((event) => event.kind === 'interrupted')).toMatchObject([{ reason: 'already-loaded', maximum: 40, direction: 'cw' }]);
  });

  it('torque that is still on when the samples end is told', () => {
    const subject = engine();
    expect(captured(feed(subject, SMOOTH.slice(0, 1800)))).toEqual([]);
    expect(subject.end('record-ended')).toMatchObject([{ kind: 'interrupted', reason: 'record-ended', maximum: 40 }]);
    expect(subject.end('record-ended')).toEqual([]);
  });

  it('new settings interrupt; the next cycle follows them', () => {
    const subject = engine();
    feed(subject, CLICK.slice(0, 1600));
    expect(interrupted(subject.reconfigure({ ...subject.settings, mode: 'first-peak' }))).toEqual(['settings-changed']);
    expect(captured(feed(subject, CLICK.slice(1600), [256], 1600))).toEqual([]);
    expect(captured(feed(subject, CLICK, [256], CLICK.length))[0]!.capture.click).toBe(true);
  });

  it('new settings with a lower threshold make no cycle of torque that is on already', () => {
    const limits = { kind: 'absolute', target: 60, low: 50, high: 60 } as const;
    const subject = engine({ limits });
    const touch = lines([0, 0], [500, 0], [700, 2.5], [2000, 2.5], [2200, 0], [3000, 0]);
    feed(subject, touch.slice(0, 1000));
    subject.reconfigure({ ...subject.settings, limits: { kind: 'none' } });
    const events = feed(subject, touch.slice(1000), [256], 1000);
    expect(captured(events)).toEqual([]);
    expect(interrupted(events)).toEqual(['already-loaded']);
  });

  it('a zero taken during a cycle interrupts it: the torque was not released', () => {
    const subject = engine();
    const load = lines([0, 0], [500, 0], [700, 6], [3000, 6]);
    feed(subject, load.slice(0, 1500));
    const device = Float64Array.from(load.slice(1500));
    const events = subject.step(block(load.slice(1500), 1500, { device, torque: device.map((value) => value - 6), conditioning: { ...PLAIN, zero: 6 } }));
    expect(captured(events)).toEqual([]);
    expect(interrupted(events)).toEqual(['settings-changed']);
  });

  it('durations that follow from a wrong rate are told as estimates', () => {
    const spaced = (spacingMs: number): boolean => captured(engine().step(block(SMOOTH, 0, { spacingMs })))[0]!.trace.evidence.timeEstimated;
    expect([1, 1.02, 1.05, 0.95].map(spaced)).toEqual([false, false, true, true]);
  });

  it('a cycle longer than allowed is interrupted, and nothing follows until it is released', () => {
    const events = feed(engine({ detector: { maxDurationMs: 500 } }), [...SMOOTH, ...SMOOTH]);
    expect(interrupted(events)).toEqual(['too-long', 'too-long']);
    expect(captured(events)).toEqual([]);
  });

  it('a gap shortly before a cycle is flagged', () => {
    const subject = engine();
    subject.step(block(new Array<number>(400).fill(0), 0));
    subject.step(block(new Array<number>(100).fill(0), 401, { gap: 'bad-sample' }));
    const events = subject.step(block(SMOOTH.slice(450), 501));
    const [only] = captured(events);
    expect(only!.capture.flags).toEqual(['gap']);
    expect(rederive(only!.trace)).toEqual(only!.capture);
  });
});

describe('blocks', () => {
  it('any split of the same samples gives the same events, bit for bit', () => {
    const samples = [...CLICK, ...negative(SMOOTH), ...CLICK.slice(0, 1700)].map((value, i) => value + 0.02 * Math.sin(i * 2.3));
    for (const settings of [{ mode: 'peak' }, { mode: 'first-peak', holdMs: 100 }, { mode: 'track' }, { mode: 'first-peak', filter: { kind: 'butterworth', order: 4, cutoffHz: 80 } }] as const) {
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

  it('no reading exceeds the highest sample, and none is invented from noise', () => {
    fc.assert(fc.property(fc.array(fc.double({ min: -0.5, max: 0.5, noNaN: true }), { minLength: 10, maxLength: 2000 }), (samples) => {
      expect(captured(feed(engine({ mode: 'first-peak' }), samples))).toEqual([]);
    }), { numRuns: 50 });
  });
});
