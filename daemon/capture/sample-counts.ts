/** Times of the settings as numbers of samples: the engine counts samples and knows no clock. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';

export interface SampleCounts {
  /** Below the release torque for so many: the cycle is over. At least 1, as all but `hold`. */
  readonly release: number;
  /** A cycle of fewer is a knock. */
  readonly least: number;
  /** A cycle of more is interrupted as too long. */
  readonly most: number;
  /** Kept before a cycle as its pre-roll, or in track before a reading. */
  readonly history: number;
  /** 0: no hold; Infinity: until armed by hand. */
  readonly hold: number;
  /** One window of the idle noise; 0: never. */
  readonly noise: number;
  /** Still for so many: at rest. */
  readonly still: number;
}

/** A cycle is kept whole: 128 MB at most, however fast the channel. */
const MOST_SAMPLES = 16_000_000;
const NOISE_WINDOW_MS = 250;
/** Track keeps at least this much before a reading, as its evidence, ms. */
const TRACK_TRACE_MS = 2000;

/** Before the first sample tells the rate. */
export const NO_COUNTS: SampleCounts = { release: 1, least: 1, most: 1, history: 1, hold: 0, noise: 0, still: 1 };

/** @param rateHz samples per second */
export function sampleCounts(settings: CaptureSettings, numbers: DetectorNumbers, rateHz: number): SampleCounts {
  const samples = (ms: number): number => Math.max(1, Math.round((ms * rateHz) / 1000));
  const { track, mode, holdMs } = settings;
  return {
    release: samples(numbers.releaseMs),
    least: samples(numbers.minDurationMs),
    most: Math.min(MOST_SAMPLES, samples(numbers.maxDurationMs)),
    history: samples(mode === 'track' ? Math.max(TRACK_TRACE_MS, 2 * track.averageMs) : numbers.preRollMs),
    hold: holdMs === null ? Infinity : Math.round((holdMs * rateHz) / 1000),
    noise: samples(NOISE_WINDOW_MS),
    still: Math.ceil(((track.stableMs ?? 0) * rateHz) / 1000) + 1,
  };
}
