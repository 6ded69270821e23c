/**
 * Traces as a transducer prints them, for tests of the store: a click-wrench pull with sensor noise, quantised by a
 * converter and printed with the decimals that its step needs. Seeded.
 */
import type { Trace } from '../../shared/trace.ts';
import type { Reading } from '../../shared/reading.ts';

export interface MadeTrace {
  readonly seconds: number;
  /** S/s */
  readonly rateHz: number;
  /** N.m */
  readonly capacity: number;
  /** N.m at the click */
  readonly torque: number;
  /** Standard deviation, share of capacity. */
  readonly noise: number;
  /** Bits of the converter over -capacity to +capacity. */
  readonly bits: number;
}

/** Uniform in [0, 1), mulberry32. */
export function seeded(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
  };
}

/** Device values in N.m, each the double of its printed decimal. */
export function madeSamples(shape: MadeTrace, seed: number): Float64Array {
  const random = seeded(seed);
  const normal = (): number => Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
  const step = (2 * shape.capacity) / 2 ** shape.bits;
  const decimals = Math.max(0, Math.ceil(-Math.log10(step)));
  const values = new Float64Array(Math.round(shape.seconds * shape.rateHz));
  for (let i = 0; i < values.length; i += 1) {
    const share = i / values.length;
    const clean = shape.torque * pull(share);
    const tremor = shape.torque * 0.003 * Math.sin((2 * Math.PI * 9 * i) / shape.rateHz) * Math.min(1, pull(share) * 2);
    const measured = clean + tremor + shape.noise * shape.capacity * normal();
    values[i] = Number((Math.round(measured / step) * step).toFixed(decimals));
  }
  return values;
}

/** At rest, rise to the click at 0.7, fall by 15 %, on to a bit above the click, release at 0.85, at rest. */
function pull(share: number): number {
  if (share < 0.15 || share > 0.92) return 0;
  if (share < 0.7) return (share - 0.15) / 0.55;
  if (share < 0.71) return 1 - 15 * (share - 0.7);
  if (share < 0.85) return 0.85 + (share - 0.71) * 1.5;
  return Math.max(0, 1.06 * (1 - (share - 0.85) / 0.07));
}

const evidence: Trace['evidence'] = {
  software: '0.1.0',
  captureVersion: 2,
  conditioning: { unit: 'N.m', calibration: { kind: 'factor', factor: 1.0004 }, zero: 0.013, sign: 1 },
  settings: {
    mode: 'first-peak', unit: 'N.m', direction: 'both', filter: { kind: 'none' }, limits: { kind: 'percent', target: 50, minus: 4, plus: 4 }, holdMs: 0,
    detector: { releaseMs: 50 },
    track: { averageMs: 100, stableMs: 1000 },
    pulse: { value: 'highest', last: 5, gapMs: 250, standsOut: 0.25 },
  },
  detector: {
    armTorque: 2.4, releaseTorque: 1.2, releaseMs: 50, minDurationMs: 60, maxDurationMs: 30_000, preRollMs: 200,
    clickFloor: 15, clickDepth: 0.015, clickFallMs: 60, clickConfirmMs: 20,
  },
  transducer: { serialNumber: 'HF-0042 (invented)', capacity: 100, lowestTorque: 5, calibrationDue: '2027-03-01', uncertainty: { percent: 0.2, k: 2 } },
  cycleAt: 200, takenBy: 'cycle', takenAt: null, gapBefore: false, restBefore: null, restAfter: null, isPulsed: false, simulated: true, timeEstimated: false,
};

/** A reading of an invented bench with its trace; `index` makes the ids and times. */
export function madeRecord(index: number, device: Float64Array, status: Uint8Array | null = null): { reading: Reading; trace: Trace } {
  const startWallMs = Date.UTC(2026, 10, 25, 8) + index * 5_000;
  const id = `reading-${String(index).padStart(8, '0')}`;
  return {
    reading: {
      type: 'reading', id, seq: null, source: null, channel: `bench-${index % 2 === 0 ? 'a' : 'b'}/1`, epoch: 1, mode: 'first-peak',
      value: 50.12 + index / 1024, unit: 'N.m', direction: 'cw', maximum: 57.9, click: true, startedAt: new Date(startWallMs + 200).toISOString(), durationMs: 2140,
      target: 50, low: 48, high: 52, verdict: 'within', uncertainty: { expanded: 0.25, k: 2 }, sampleRateHz: 1000, cutoffHz: null,
      flags: ['simulated'], traceId: `trace-${index}`,
    },
    trace: {
      id: `trace-${index}`, channel: `bench-${index % 2 === 0 ? 'a' : 'b'}/1`, epoch: 1, firstIndex: index * 5_000, startWallMs, spacingMs: 1.0000123, rateHz: 1000,
      device, status, evidence,
    },
  };
}
