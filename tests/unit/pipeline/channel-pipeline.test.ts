import { describe, expect, it } from 'vitest';
import { ChannelPipeline, type Outcome } from '../../../daemon/pipeline/channel-pipeline.ts';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import type { TorsiondError } from '../../../shared/errors.ts';
import type { DeviceBlock } from '../../../shared/sample-block.ts';
import { TransducerSettings } from '../../../shared/transducer.ts';
import { CLICK, SMOOTH, lines } from '../capture/shapes.ts';
import type * as z from 'zod';

function pipeline(capture: Partial<z.input<typeof CaptureSettings>> = {}, zero: ConstructorParameters<typeof ChannelPipeline>[0]['zero'] = { kind: 'fixed', offset: 0 }) {
  const subject = new ChannelPipeline({
    channel: 'a/1', source: null, unit: 'N.m', sign: 1, zero, transducer: TransducerSettings.parse({ serialNumber: 'HF-T-001', capacity: 60 }),
    capture: CaptureSettings.parse({ mode: 'peak', ...capture }), isSimulated: false, software: 'test', toWallMs: (ms) => ms,
  });
  const outcomes: Outcome[] = [];
  subject.outcomes$.subscribe((outcome) => outcomes.push(outcome));
  return { subject, outcomes };
}

function device(samples: readonly number[], firstIndex = 0, rateHz = 1000): DeviceBlock {
  return {
    channel: 'a/1', epoch: 1, firstIndex, gap: firstIndex === 0 ? 'connected' : null, startMs: firstIndex, spacingMs: 1000 / rateHz, rateHz,
    timeEstimated: false, unit: null, device: Float64Array.from(samples), status: null,
  };
}

const code = (thrown: unknown): string => (thrown as TorsiondError).code;
const caught = (action: () => unknown): string => {
  try {
    action();
  } catch (thrown) {
    return code(thrown);
  }
  return 'nothing thrown';
};

describe('channel pipeline', () => {
  it('has said everything when push returns: states, click, reading with its trace', () => {
    const { subject, outcomes } = pipeline({ mode: 'first-peak', holdMs: 50 });
    for (let at = 0; at < CLICK.length; at += 100) subject.push(device(CLICK.slice(at, at + 100), at));
    expect(outcomes.map((outcome) => (outcome.kind === 'state' ? outcome.state : outcome.kind)))
      .toEqual(['cycle', 'cycle-started', 'click', 'reading', 'held', 'armed']);
    const reading = outcomes.find((outcome) => outcome.kind === 'reading')!;
    expect(reading.reading).toMatchObject({ value: 40, maximum: 48, channel: 'a/1', source: null });
    expect(reading.trace.id).toBe(reading.reading.traceId);
  });

  it('gives the same id to the same samples and another to others', () => {
    const ids = [0, 0, 5000].map((shift) => {
      const { subject, outcomes } = pipeline();
      subject.push(device(SMOOTH, shift));
      return outcomes.find((outcome) => outcome.kind === 'reading')!.reading.id;
    });
    expect(ids[0]).toBe(ids[1]);
    expect(ids[0]).not.toBe(ids[2]);
  });

  it('captures nothing while the rate cannot carry the settings, goes on sampling, and says why', () => {
    const { subject, outcomes } = pipeline({ filter: { kind: 'butterworth', order: 2, cutoffHz: 300 } });
    let samples = 0;
    subject.samples$.subscribe((block) => (samples += block.torque.length));
    subject.push(device(SMOOTH, 0, 500));
    expect(samples).toBe(SMOOTH.length);
    expect(outcomes.map((outcome) => outcome.kind)).toEqual(['fault']);
    expect(subject.fault?.code).toBe('RATE_TOO_LOW');
    subject.configure({ ...subject.settings, filter: { kind: 'none' } });
    expect(subject.fault).toBeNull();
    subject.push(device(SMOOTH, SMOOTH.length, 500));
    expect(outcomes.filter((outcome) => outcome.kind === 'reading')).toHaveLength(1);
  });

  it('refuses settings that do not fit and keeps the old ones', () => {
    const { subject } = pipeline();
    subject.push(device(SMOOTH));
    const before = subject.settings;
    expect(caught(() => subject.configure({ ...before, filter: { kind: 'butterworth', order: 2, cutoffHz: 450 } }))).toBe('RATE_TOO_LOW');
    expect(caught(() => subject.configure({ ...before, limits: { kind: 'absolute', target: 80, low: 70, high: 90 } }))).toBe('LIMITS_INVALID');
    expect(caught(() => subject.configure({ ...before, detector: { armTorque: 1, releaseTorque: 2 } }))).toBe('CAPTURE_SETTINGS');
    expect(subject.settings).toBe(before);
  });

  it('says that it captures again when the rate fits again', () => {
    const { subject, outcomes } = pipeline({ mode: 'first-peak' });
    subject.push(device(SMOOTH, 0, 50));
    subject.push({ ...device(SMOOTH), epoch: 2 });
    expect(outcomes.map((outcome) => outcome.kind).slice(0, 2)).toEqual(['fault', 'state']);
    expect(subject.fault).toBeNull();
  });

  it('interrupts a cycle in which the device changes its unit', () => {
    const { subject, outcomes } = pipeline();
    subject.push({ ...device(SMOOTH.slice(0, 1200)), unit: 'N.m' });
    subject.push({ ...device(SMOOTH.slice(1200).map((value) => 100 * value), 1200), unit: 'cN.m' });
    expect(outcomes.flatMap<unknown>((outcome) => (outcome.kind === 'interrupted' ? [outcome.cycle.reason] : outcome.kind === 'reading' ? [outcome.reading.value] : []))).toEqual(['settings-changed']);
  });

  it('leaves a cycle below 1 % of capacity alone when a low threshold makes it one', () => {
    const { subject, outcomes } = pipeline({ detector: { armTorque: 0.3 } }, { kind: 'automatic', quietMs: 500 });
    const small = lines([0, 0], [700, 0], [800, 0.5], [2500, 0.5], [2700, 0], [4000, 0]);
    for (let at = 0; at < small.length; at += 100) subject.push(device(small.slice(at, at + 100), at));
    expect(outcomes.flatMap((outcome) => (outcome.kind === 'reading' ? [outcome.reading.value] : []))).toEqual([0.5]);
  });

  it('takes a reading by hand in track only', () => {
    expect(caught(() => pipeline().subject.latch())).toBe('MODE_MISMATCH');
    expect(caught(() => pipeline({ mode: 'track' }).subject.latch())).toBe('CHANNEL_NOT_READY');
  });

  it('zeroes on command; a fixed zero is not moved', async () => {
    const { subject } = pipeline({}, { kind: 'command' });
    const zero = subject.zero();
    subject.push(device(new Array<number>(600).fill(3)));
    await expect(zero).resolves.toBe(3);
    await expect(pipeline().subject.zero()).rejects.toMatchObject({ code: 'ZERO_REFUSED' });
  });

  it('interrupts what runs when the samples end', () => {
    const { subject, outcomes } = pipeline();
    subject.push(device(SMOOTH.slice(0, 1600)));
    subject.end('stopped');
    expect(outcomes.at(-1)).toMatchObject({ kind: 'interrupted', cycle: { reason: 'stopped', maximum: 40, unit: 'N.m', mode: 'peak' } });
  });
});
