/** The scorer itself, with what a capture should never give: a judge that lets these pass proves nothing. */
import { describe, expect, it } from 'vitest';
import type { Capture, CaptureEvent, CaptureFlag, CapturedEvent } from '../../daemon/capture/events.ts';
import type { Trace } from '../../shared/trace.ts';
import { hardRecord, type HardCycle, type HardPulse, type HardRecord } from '../../simulator/hard-corpus/index.ts';
import { pulseTruth } from './hard-pulse.ts';
import { captureHard, scoreHard, scoreHeard, tolerance, type Heard, type HardTally } from './hard-score.ts';

const RATE = 1_000;

function cycle(startS: number, changed: Partial<HardCycle> = {}): HardCycle {
  return {
    startS, endS: startS + 1, direction: 'cw', expected: 'reading', click: true, clickTorque: 20, clickAtS: startS + 0.5, firstPeakTruth: 20, maximumTruth: 25,
    slopeNmPerS: 10, clickDepth: 0.1, swing: 0, decidable: true, isClean: true, ...changed,
  };
}

function record(cycles: readonly HardCycle[], changed: Partial<HardRecord> = {}): HardRecord {
  return {
    id: 'planted', family: 'planted', seed: 1, rateHz: RATE, capacity: 60, noiseSigma: 0.001, lsb: 0.001, samples: new Float64Array(10 * RATE), status: null,
    settings: { mode: 'first-peak' }, cycles, ...changed,
  };
}

interface Reading extends Partial<Capture> {
  readonly atS: number;
  readonly lastsS?: number;
}

/** A reading that is right for `cycle`, unless it is said otherwise. */
function reading({ atS, lastsS = 0.9, ...capture }: Reading): Heard {
  const event = {
    kind: 'captured',
    capture: { value: 20, maximum: 25, direction: 'cw', click: true, durationMs: 1000 * lastsS, flags: [], ...capture },
    trace: { firstIndex: 0, evidence: { cycleAt: atS * RATE, takenAt: (atS + lastsS) * RATE } as Trace['evidence'] } as Trace,
  } satisfies CaptureEvent;
  return { event, saidS: atS + lastsS + 0.1 };
}

function told(kind: 'interrupted' | 'dismissed', atS: number): Heard {
  const facts = { direction: 'cw', maximum: 5, epoch: 1, startMs: 1000 * atS, durationMs: 900 } as const;
  return { event: kind === 'interrupted' ? { kind, reason: 'record-ended', ...facts } : { kind, reason: 'too-short', ...facts }, saidS: atS + 1 };
}

const state = (name: 'armed' | 'loaded', saidS: number): Heard => ({ event: { kind: 'state', state: name, standing: name === 'loaded' ? 5 : null, atMs: 1000 * saidS }, saidS });
const FLAG: readonly CaptureFlag[] = ['noisy'];
const TWO = record([cycle(1), cycle(4)]);
const outcomes = (of: HardRecord, heard: readonly Heard[]): string[] => scoreHeard(of, heard).map(({ cycle: i, outcome }) => `${i ?? 'extra'} ${outcome}`);

function tally(of: HardRecord, heard: readonly Heard[]): HardTally {
  return scoreHard([of], () => heard).families.get(of.family)!;
}

describe('the scorer of the hard corpus', () => {
  it('takes right readings for right', () => {
    const both = [reading({ atS: 1 }), reading({ atS: 4 })];
    expect(outcomes(TWO, both)).toEqual(['0 right', '1 right']);
    expect(tally(TWO, both)).toMatchObject({ records: 1, decidable: 2, right: 2, rightFlagged: 0, wrongFlagged: 0, wrongSilent: 0, extra: 0, clean: 2, cleanFlagged: 0 });
  });

  it('counts a wrong value without a flag as wrong in silence, with a flag as wrong with a flag', () => {
    const allowed = tolerance(TWO, TWO.cycles[0]!);
    const off = (by: number, flags: readonly CaptureFlag[] = []): Heard[] => [reading({ atS: 1, value: 20 + by, flags }), reading({ atS: 4 })];
    expect(outcomes(TWO, off(0.99 * allowed))).toEqual(['0 right', '1 right']);
    for (const sign of [1, -1]) expect(outcomes(TWO, off(sign * 1.01 * allowed))).toEqual(['0 wrong-silent', '1 right']);
    expect(outcomes(TWO, off(Number.NaN))).toEqual(['0 wrong-silent', '1 right']);
    expect(tally(TWO, off(1))).toMatchObject({ decidable: 2, right: 1, wrongSilent: 1, wrongFlagged: 0 });
    expect(tally(TWO, off(1, FLAG))).toMatchObject({ decidable: 2, right: 1, wrongSilent: 0, wrongFlagged: 1 });
    expect(scoreHard([TWO], () => off(1)).misses).toMatchObject([{ cycle: 0, outcome: 'wrong-silent', what: expect.stringContaining('value 21.0000') as string }]);
  });

  it.each<[string, Partial<Capture>]>([
    ['the highest in place of the click', { value: 25 }], ['no click', { click: false }], ['the other direction', { direction: 'ccw' }],
    ['the other sign', { value: -20 }], ['nothing', { value: 0 }],
  ])('counts %s as wrong', (_, changed) => {
    expect(outcomes(TWO, [reading({ atS: 1, ...changed }), reading({ atS: 4 })])).toEqual(['0 wrong-silent', '1 right']);
  });

  it('looks at the highest in peak, and at no click there', () => {
    const peak = record([cycle(1, { click: null })], { settings: { mode: 'peak' } });
    const { click: _none, ...capture } = { ...(reading({ atS: 1, value: 25 }).event as CapturedEvent).capture };
    const heard = reading({ atS: 1, value: 25 });
    expect(outcomes(peak, [{ ...heard, event: { ...(heard.event as CapturedEvent), capture } }])).toEqual(['0 right']);
    expect(outcomes(peak, [reading({ atS: 1, value: 20 })])).toEqual(['0 wrong-silent']);
  });

  it('counts a missing reading, in silence or told', () => {
    expect(outcomes(TWO, [reading({ atS: 4 })])).toEqual(['0 wrong-silent', '1 right']);
    expect(outcomes(TWO, [])).toEqual(['0 wrong-silent', '1 wrong-silent']);
    expect(outcomes(TWO, [told('dismissed', 1), reading({ atS: 4 })])).toEqual(['0 wrong-flagged', '1 right']);
    expect(tally(TWO, [reading({ atS: 4 })])).toMatchObject({ decidable: 2, right: 1, wrongSilent: 1, extra: 0 });
  });

  it('takes no line about another pull, none that comes too late, and no ordinary state for one about this pull', () => {
    expect(outcomes(TWO, [told('dismissed', 7), reading({ atS: 4 })])).toEqual(['0 wrong-silent', '1 right']);
    expect(outcomes(TWO, [{ ...told('dismissed', 1), saidS: 9 }, reading({ atS: 4 })])).toEqual(['0 wrong-silent', '1 right']);
    expect(outcomes(TWO, [state('armed', 0), reading({ atS: 4 })])).toEqual(['0 wrong-silent', '1 right']);
    expect(outcomes(TWO, [state('loaded', 0.5), state('armed', 2.5), reading({ atS: 4 })])).toEqual(['0 wrong-flagged', '1 right']);
    // A state that is over before the pull says nothing about it.
    expect(outcomes(TWO, [state('loaded', 0.1), state('armed', 0.5), reading({ atS: 4 })])).toEqual(['0 wrong-silent', '1 right']);
  });

  it('counts a reading that comes twice', () => {
    const twice = [reading({ atS: 1, lastsS: 0.4 }), reading({ atS: 1.5, lastsS: 0.4 }), reading({ atS: 4 })];
    expect(outcomes(TWO, twice).sort()).toEqual(['0 right', '1 right', 'extra wrong-silent']);
    expect(tally(TWO, twice)).toMatchObject({ decidable: 2, right: 2, extra: 1, wrongSilent: 1 });
    const flagged = [reading({ atS: 1, lastsS: 0.4 }), reading({ atS: 1.5, lastsS: 0.4, flags: FLAG }), reading({ atS: 4 })];
    expect(tally(TWO, flagged)).toMatchObject({ right: 2, rightFlagged: 0, extra: 1, wrongSilent: 0, wrongFlagged: 1 });
  });

  it('counts a reading where no torque was applied', () => {
    const three = [reading({ atS: 1 }), reading({ atS: 4 }), reading({ atS: 7 })];
    expect(outcomes(TWO, three).sort()).toEqual(['0 right', '1 right', 'extra wrong-silent']);
    expect(tally(TWO, three)).toMatchObject({ right: 2, extra: 1, wrongSilent: 1 });
  });

  it('takes one reading over both pulls for one at most', () => {
    expect(outcomes(TWO, [reading({ atS: 1, lastsS: 4 })]).filter((one) => one.endsWith('wrong-silent'))).toHaveLength(1);
  });

  it('counts a flag on a right reading, and apart where it should have none', () => {
    const flagged = [reading({ atS: 1, flags: FLAG }), reading({ atS: 4 })];
    expect(tally(TWO, flagged)).toMatchObject({ right: 2, rightFlagged: 1, clean: 2, cleanFlagged: 1, wrongFlagged: 0 });
    expect(scoreHard([TWO], () => flagged).misses).toMatchObject([{ cycle: 0, outcome: 'right', flags: ['noisy'] }]);
    const hard = record([cycle(1, { isClean: false }), cycle(4)]);
    expect(tally(hard, flagged)).toMatchObject({ right: 2, rightFlagged: 1, clean: 1, cleanFlagged: 0 });
    expect(scoreHard([hard], () => flagged).misses).toEqual([]);
  });

  it('wants a flag where nobody could decide', () => {
    const open = record([cycle(1, { decidable: false, isClean: false })]);
    expect(tally(open, [reading({ atS: 1, flags: FLAG })])).toMatchObject({ decidable: 0, undecidable: 1, undecidedFlagged: 1, undecidedLucky: 0, wrongSilent: 0 });
    expect(tally(open, [reading({ atS: 1 })])).toMatchObject({ undecidable: 1, undecidedFlagged: 0, undecidedLucky: 1, wrongSilent: 0 });
    expect(tally(open, [reading({ atS: 1, value: 25 })])).toMatchObject({ undecidable: 1, wrongSilent: 1 });
    expect(tally(open, [])).toMatchObject({ undecidable: 1, wrongSilent: 1 });
    expect(tally(open, [told('dismissed', 1)])).toMatchObject({ undecidable: 1, undecidedFlagged: 1, wrongSilent: 0 });
  });

  it.each<[HardCycle['expected'], string, readonly Heard[], string[]]>([
    ['interrupted', 'told as such', [told('interrupted', 1)], ['0 right']],
    ['interrupted', 'told as something else', [told('dismissed', 1)], ['0 wrong-silent']],
    ['interrupted', 'a reading besides', [told('interrupted', 1), reading({ atS: 1 })], ['extra wrong-silent', '0 right']],
    ['interrupted', 'silence', [], ['0 wrong-silent']],
    ['told', 'told', [told('dismissed', 1)], ['0 right']],
    ['told', 'silence', [], ['0 wrong-silent']],
    ['told', 'a reading', [reading({ atS: 1 })], ['extra wrong-silent', '0 wrong-silent']],
    ['nothing', 'silence', [], ['0 right']],
    ['nothing', 'a reading', [reading({ atS: 1 })], ['extra wrong-silent', '0 right']],
    ['reading-or-told', 'told', [told('dismissed', 1)], ['0 right']],
    ['reading-or-told', 'the reading', [reading({ atS: 1 })], ['0 right']],
    ['reading-or-told', 'another value', [reading({ atS: 1, value: 25 })], ['0 wrong-silent']],
    ['reading-or-told', 'silence', [], ['0 wrong-silent']],
  ])('where %s is expected, judges %s', (expected, _, heard, wanted) => {
    expect(outcomes(record([cycle(1, { expected })]), heard)).toEqual(wanted);
  });

  it('names families whose settings the gateway does not know, and judges nothing of them', () => {
    const unknown = record([cycle(1)], { settings: { mode: 'sideways' as 'peak' } });
    const { families, unserved } = scoreHard([unknown], () => []);
    expect([families.size, [...unserved]]).toEqual([0, ['planted']]);
  });
});

describe('the scorer of run-downs', () => {
  const pulses: HardPulse[] = [10, 12, 14, 15, 15.5, 16, 15.8].map((height, i) => ({ atS: 1.1 + 0.1 * i, height, widthS: 0.005 }));
  const run = record([cycle(1, { click: null, firstPeakTruth: 16, maximumTruth: 16, pulses })], { settings: { mode: 'pulse' }, rateHz: 10_000, samples: new Float64Array(40_000) });
  const RIGHT = { count: 7, highest: 16, last: 15.8, meanOfLast: 15.26, meanOf: 5, durationMs: 600 };
  const judged = (changed: Partial<typeof RIGHT>, of = run): string[] => {
    const { event, saidS } = reading({ atS: 10, lastsS: 8, value: 16, maximum: 16, pulse: { ...RIGHT, ...changed } });
    return scoreHeard(of, [{ event, saidS }]).map(({ outcome, what }) => `${outcome}${/; (.*)$/.exec(what)?.[0] ?? ''}`);
  };

  it('knows what is true of them', () => {
    expect(pulseTruth(run, run.cycles[0]!)).toMatchObject({ count: 7, meanOf: 5, meanOfLast: expect.closeTo(15.26, 9) as number, durationMs: expect.closeTo(600, 9) as number });
    // Two crests, each at most some tenths of the 5 ms beside its place.
    expect(pulseTruth(run, run.cycles[0]!)!.durationToleranceMs).toBeLessThan(1);
    expect(judged({})).toEqual(['right']);
  });

  it.each<[string, Partial<typeof RIGHT>, RegExp]>([
    ['a blow too few', { count: 6 }, /6 blows counted of 7/], ['a blow too many', { count: 8 }, /8 blows counted of 7/],
    ['the mean of all', { meanOfLast: 14.04 }, /mean of the last 14\.0400, truth 15\.2600/], ['a mean of four', { meanOf: 4 }, /mean of 4 in place of 5/],
    ['the mean of the other direction', { meanOfLast: -15.26 }, /mean of the last/], ['no mean', { meanOfLast: Number.NaN }, /mean of the last/],
    ['a run-down of one blow less', { durationMs: 500 }, /lasted 500\.000 ms, truth 600\.000/], ['the whole application', { durationMs: 900 }, /lasted 900/],
    ['a duration of a millisecond less', { durationMs: 599 }, /lasted 599/], ['no duration', { durationMs: Number.NaN }, /lasted NaN/],
  ])('counts %s as wrong', (_, changed, what) => {
    expect(judged(changed)).toEqual([expect.stringMatching(/^wrong-silent; /)]);
    expect(judged(changed)[0]).toMatch(what);
  });

  it('counts a reading without blows as wrong', () => {
    const { event, saidS } = reading({ atS: 10, lastsS: 8, value: 16, maximum: 16 });
    expect(scoreHeard(run, [{ event, saidS }]).map(({ outcome }) => outcome)).toEqual(['wrong-silent']);
  });

  it('asks for the mean of as many as there were', () => {
    const short = record([{ ...run.cycles[0]!, pulses: pulses.slice(4) }], { settings: run.settings });
    expect(pulseTruth(short, short.cycles[0]!)).toMatchObject({ count: 3, meanOf: 3 });
  });

  it('finds what is planted in the readings of the capture code itself', () => {
    const drawn = hardRecord(1, 'pulse-count', 0);
    const heard = captureHard(drawn);
    const planted = (change: (capture: Capture) => Capture): Heard[] => heard.map(({ event, saidS }) => (
      { saidS, event: event.kind === 'captured' ? { ...event, capture: change(event.capture) } : event }));
    expect(tally(drawn, heard)).toMatchObject({ decidable: 1, right: 1 });
    for (const name of ['count', 'meanOfLast', 'durationMs'] as const) {
      const spoilt = planted((capture) => ({ ...capture, flags: [], pulse: { ...capture.pulse!, [name]: capture.pulse![name] * 1.2 } }));
      expect(tally(drawn, spoilt), name).toMatchObject({ right: 0, wrongSilent: 1 });
    }
  });
});
