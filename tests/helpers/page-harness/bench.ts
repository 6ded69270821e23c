/** The invented bench of Hollin & Fenn, as the page meets it. */
import type { ChannelInfo, InstrumentInfo } from '../../../shared/wire/events.ts';
import { channel, instrument, type FakeStation } from './fake-station.ts';
import { clickPull, pulseRun, seeded, slipPull } from './pulls.ts';

export const BENCH: { instruments: InstrumentInfo[]; channels: ChannelInfo[] } = {
  instruments: [
    instrument('crank'), instrument('bits', { simulated: true }), instrument('stem'),
    instrument('motor', {
      state: 'stalled',
      fault: { code: 'LINK_STALLED', message: 'no sample for 2000 ms', where: 'motor', hint: 'The port is open but no data comes. Check that the device is on and streaming, and the baud rate.' },
    }),
  ],
  channels: [
    channel(0, 'crank/1', 'Crank bolts', 100, 0.01, { mode: 'first-peak', direction: 'cw', limits: { kind: 'absolute', target: 50, low: 48, high: 52 } }),
    channel(1, 'bits/1', 'Bit driver', 250, 0.1, { mode: 'peak', unit: 'cN.m', direction: 'both', filter: { kind: 'butterworth', order: 2, cutoffHz: 500 }, limits: { kind: 'percent', target: 120, minus: 6, plus: 6 } }),
    channel(2, 'stem/1', 'Stem, dial wrench', 60, 0.01, { mode: 'track', direction: 'both' }, { transducer: { serialNumber: 'HF-1042', capacity: 60, resolution: 0.01, calibrationDue: '2026-09-30', overdue: true } }),
    channel(3, 'motor/1', 'Motor mount', 400, 0.1, { mode: 'peak', limits: { kind: 'percent', target: 250, minus: 4, plus: 4 } }, { state: 'offline' }),
  ],
};

/** Some minutes of work lie behind the bench. */
export function workedBench(station: FakeStation, seed = 7): void {
  const random = seeded(seed);
  const clicks = [49.2, 50.6, 47.1, 50.1, 51.2, 49.7, 57.8, 50.3, 49.9, 50.4];
  const slips = [118, -121.5, 122.4, 112, 119.2, -128.9, 120.3];
  clicks.forEach((click, i) => {
    station.store('crank/1', clickPull(click, click * 1.15, 1, random));
    if (slips[i] !== undefined) station.store('bits/1', slipPull(Math.abs(slips[i]), slips[i] < 0 ? -1 : 1, random), { flags: i % 3 === 0 ? ['simulated', 'filtered-step'] : ['simulated'] });
    if (i % 4 === 1) station.store('stem/1', slipPull(20 + i, 1, random), { flags: ['calibration-overdue'] });
  });
}

/** An impulse tool and a dial wrench; the wrench's channel is also checked for its zero. */
export const PULSE_BENCH: typeof BENCH = {
  instruments: [instrument('impulse'), instrument('stem')],
  channels: [
    channel(0, 'impulse/1', 'Impulse tool', 100, 0.01, { mode: 'pulse', direction: 'cw', limits: { kind: 'absolute', target: 50, low: 46, high: 54 } }),
    channel(1, 'stem/1', 'Stem, dial wrench', 60, 0.01, { mode: 'track', direction: 'both' }),
  ],
};

export function workedPulseBench(station: FakeStation, seed = 7): void {
  const random = seeded(seed);
  for (const [count, top] of [[14, 49.5], [12, 51.2], [9, 44.1], [23, 50.4]] as const) {
    const { pulse, ...run } = pulseRun(count, top, random);
    station.store('impulse/1', run, { pulse });
  }
  station.store('stem/1', slipPull(21.4, 1, random));
  station.store('stem/1', { ...slipPull(0.02, 1, random), value: 0.01, maximum: 0.01 }, { zeroCheck: true, flags: ['below-range'] });
}
