/** What a reading of mode `pulse` must say of a run-down: how many blows, the mean of the last ones, and how long it went on. */
import { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Capture } from '../../daemon/capture/events.ts';
import type { HardCycle, HardPulse, HardRecord } from '../../simulator/hard-corpus/index.ts';

/** Two samples may differ by so many sigma beside their crest, and the lower one be taken for it. */
const SIGMAS_BETWEEN = 9;

export interface PulseTruth {
  readonly count: number;
  readonly meanOf: number;
  /** Signed, N.m. */
  readonly meanOfLast: number;
  /** From the first crest to the last. */
  readonly durationMs: number;
  /** How far the places of both crests may be off. */
  readonly durationToleranceMs: number;
}

/** Null where the record has no blows. */
export function pulseTruth(record: HardRecord, truth: HardCycle): PulseTruth | null {
  const { pulses } = truth;
  if (!pulses || pulses.length === 0) return null;
  const { last } = CaptureSettings.parse(record.settings).pulse;
  const lasts = pulses.slice(-last);
  const ends = [pulses[0]!, pulses.at(-1)!] as const;
  return {
    count: pulses.length, meanOf: lasts.length, meanOfLast: lasts.reduce((sum, { height }) => sum + height, 0) / lasts.length,
    durationMs: 1000 * (ends[1].atS - ends[0].atS),
    durationToleranceMs: 1000 * (crestToleranceS(record, ends[0]) + crestToleranceS(record, ends[1])),
  };
}

/**
 * The sample next to the crest is at most half a spacing away; noise may lift any sample above it that is no lower than
 * noise and step together. A half sine of height h and width w is lower by h (1 - cos(pi t / w)) at t beside its crest.
 */
function crestToleranceS({ rateHz, noiseSigma, lsb }: HardRecord, { height, widthS }: HardPulse): number {
  const next = Math.cos(Math.min(Math.PI / 2, (Math.PI * 0.5) / rateHz / widthS));
  const lifted = next - (SIGMAS_BETWEEN * noiseSigma + lsb) / Math.abs(height);
  return (widthS / Math.PI) * Math.acos(Math.max(0, lifted));
}

/** @param tolerance of a torque of this record, N.m; the value itself is judged elsewhere. @returns what is wrong, or null */
export function pulseFault(record: HardRecord, truth: HardCycle, { pulse }: Capture, tolerance: number): string | null {
  const wanted = pulseTruth(record, truth);
  if (!pulse || !wanted) return pulse || wanted ? 'blows where none were, or none where some were' : null;
  if (pulse.count !== wanted.count) return `${pulse.count} blows counted of ${wanted.count}`;
  if (pulse.meanOf !== wanted.meanOf) return `mean of ${pulse.meanOf} in place of ${wanted.meanOf}`;
  if (!(Math.abs(pulse.meanOfLast - wanted.meanOfLast) <= tolerance)) return `mean of the last ${pulse.meanOfLast.toFixed(4)}, truth ${wanted.meanOfLast.toFixed(4)}, allowed ${tolerance.toFixed(4)}`;
  if (!(Math.abs(pulse.durationMs - wanted.durationMs) <= wanted.durationToleranceMs)) {
    return `lasted ${pulse.durationMs.toFixed(3)} ms, truth ${wanted.durationMs.toFixed(3)}, allowed ${wanted.durationToleranceMs.toFixed(3)}`;
  }
  return null;
}
