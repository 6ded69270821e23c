import { describe, expect, it } from 'vitest';
import { whatIf } from '../../../daemon/capture/what-if.ts';
import { CLICK, block, captured, engine, feed, lines } from './shapes.ts';

describe('what other settings would have given', () => {
  const [pull] = captured(feed(engine({ mode: 'peak' }), CLICK));
  const settings = pull!.trace.evidence.settings;

  it('another mode reads the stored cycle', () => {
    expect(whatIf(pull!.trace, { ...settings, mode: 'first-peak' })).toMatchObject({ value: 40, maximum: 48, click: true });
  });

  it('track gives no reading of torque that never stood still', () => {
    expect(whatIf(pull!.trace, { ...settings, mode: 'track' })).toBeNull();
  });

  it('track gives the reading that it would have taken where the torque stood still', () => {
    const dial = lines([0, 0], [300, 0], [900, 20], [3000, 20], [3200, 0], [3500, 0]);
    const [peak] = captured(feed(engine({ mode: 'peak' }), dial));
    const [live] = captured(feed(engine({ mode: 'track' }), dial));
    expect(whatIf(peak!.trace, { ...peak!.trace.evidence.settings, mode: 'track' })?.value).toBe(live!.capture.value);
  });

  it('track on command only gives none either', () => {
    const dial = lines([0, 0], [300, 0], [900, 20], [3000, 20], [3200, 0], [3500, 0]);
    const [peak] = captured(feed(engine({ mode: 'peak' }), dial));
    expect(whatIf(peak!.trace, { ...peak!.trace.evidence.settings, mode: 'track', track: { averageMs: 100, stableMs: null } })).toBeNull();
  });

  it('other settings of a track reading are applied to the samples it was made of', () => {
    const subject = engine({ mode: 'track' });
    subject.step(block(lines([0, 10], [600, 10]), 0));
    const taken = subject.latch();
    if (taken?.kind !== 'captured') throw new Error('no reading');
    expect(whatIf(taken.trace, { ...taken.trace.evidence.settings, track: { averageMs: 200, stableMs: null } })).toMatchObject({ value: 10, durationMs: 200 });
  });

  it('what the channel could not have had is refused', () => {
    expect(() => whatIf(pull!.trace, { ...settings, filter: { kind: 'butterworth', order: 2, cutoffHz: 450 } })).toThrow(/450 Hz/);
    const slow = { ...pull!.trace, rateHz: 50 };
    expect(() => whatIf(slow, { ...settings, mode: 'first-peak' })).toThrow(/first-peak needs at least 100 samples\/s/);
  });
});
