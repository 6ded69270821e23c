import { describe, expect, it } from 'vitest';
import { rederive } from '../../../daemon/capture/rederive.ts';
import { ChannelPipeline, type Outcome } from '../../../daemon/pipeline/channel-pipeline.ts';
import { ChannelSettings } from '../../../daemon/settings/schema.ts';
import { decodeTeds } from '../../../drivers/teds/decode.ts';
import { transducerFromTeds } from '../../../drivers/teds/transducer.ts';
import { CLICK } from '../capture/shapes.ts';

type ReadingOutcome = Extract<Outcome, { kind: 'reading' }>;

/** The reading of one pull. @param device what the device sends for so many N.m */
function pull(channel: unknown, device: (torque: number) => number, startWallMs = Date.UTC(2026, 0, 1)): ReadingOutcome {
  const { unit, signal, sign, zero, transducer, capture } = ChannelSettings.parse({ zero: { kind: 'fixed', offset: 0 }, capture: { mode: 'first-peak' }, ...(channel as object) });
  const subject = new ChannelPipeline({ channel: 'a/1', source: null, unit, signal, sign, zero, transducer, capture, isSimulated: false, software: 'test', toWallMs: (ms) => startWallMs + ms });
  const readings: ReadingOutcome[] = [];
  subject.outcomes$.subscribe((outcome) => outcome.kind === 'reading' && readings.push(outcome));
  subject.push({
    channel: 'a/1', epoch: 1, firstIndex: 0, gap: 'connected', startMs: 0, spacingMs: 1, rateHz: 1_000, timeEstimated: false, unit: null,
    device: Float64Array.from(CLICK, device), status: null,
  });
  expect(readings).toHaveLength(1);
  return readings[0]!;
}

const torque = pull({ transducer: { serialNumber: 'HF-T-0001 (invented)', capacity: 60 } }, (value) => value);

describe('a channel whose device sends the signal of the bridge', () => {
  it.each([
    // 2 mV/V at 60 N.m, 1 000 000 counts at 2 mV/V: a count is 60 µN.m.
    ['counts', { kind: 'counts', fullScaleCounts: 1_000_000, fullScale: 2 }, (value: number) => Math.round((value / 60) * 1_000_000), 60e-6],
    ['mV/V', { kind: 'mV/V' }, (value: number) => (value / 60) * 2, 1e-9],
  ] as const)('%s gives the reading that torque would give, to its resolution', (_, signal, device, resolution) => {
    const { reading, trace } = pull({ signal, transducer: { serialNumber: 'HF-T-0001 (invented)', capacity: 60, bridge: { ratedTorque: 60, sensitivity: 2 } } }, device);
    expect(Math.abs(reading.value - torque.reading.value)).toBeLessThanOrEqual(resolution);
    expect(Math.abs(reading.maximum - torque.reading.maximum)).toBeLessThanOrEqual(resolution);
    expect({ click: reading.click, unit: reading.unit }).toEqual({ click: torque.reading.click, unit: torque.reading.unit });
    // What is kept is what was sent, and it gives the same reading again.
    expect([...new Set(trace.device)].every((value) => CLICK.map(device).includes(value))).toBe(true);
    expect(rederive({ ...trace, evidence: JSON.parse(JSON.stringify(trace.evidence)) as typeof trace.evidence }).value).toBe(reading.value);
  });

  it('that describes itself, past due, still reads and flags the reading', () => {
    const teds = transducerFromTeds(decodeTeds(Buffer.from('2bc0f2460839300084280000c8c20000c842be490cecbe490cec28da001023c118b19220465b1ce0', 'hex'), { paged: false }));
    const channel = { signal: { kind: 'mV/V' }, transducer: { ...teds, bridge: { ratedTorque: teds.capacity, ...teds.bridge } } };
    const device = (value: number): number => (value / 100) * 2;
    const before = pull(channel, device, Date.UTC(2025, 2, 14));
    const after = pull(channel, device, Date.UTC(2025, 2, 17));
    expect([before.reading.flags, after.reading.flags]).toEqual([[], ['calibration-overdue']]);
    expect(after.reading.value).toBeCloseTo(torque.reading.value, 5);
  });
});
