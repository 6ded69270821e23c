/** Times of the settings as numbers of samples: the engine counts samples and knows no clock. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import type { RestCounts } from './rest-watch.ts';

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
  /** Fewer in a row are a fault of the line, not torque. At least 2. */
  readonly lone: number;
  /** Applications that are all shorter may be those of an impulse tool; */
  readonly pulse: number;
  /** when they follow each other within so many, they belong together. */
  readonly pulseGap: number;
  readonly rest: RestCounts;
}

/** A cycle is kept whole: 128 MB at most, however fast the channel. */
const MOST_SAMPLES = 16_000_000;
const NOISE_WINDOW_MS = 250;
/** Track keeps at least this much before a reading, as its evidence, ms. */
const TRACK_TRACE_MS = 2000;

/**
 * A spoilt sample stands alone; a filter of the device may smear it over the next. A hand or a tool that turns stays longer
 * than this by far.
 */
const LONE_MS = 2;
/** Impulse tools strike 10 to 40 times a second, for 3 to 10 ms (common practice), ms. */
const PULSE_GAP_MS = 250;
const PULSE_MS = 20;
const REST_SLICE_MS = 50;
/** Long enough to tell a wrench that rests from one that changes its direction, ms. */
const REST_ENDS_MS = 300;
const LOADED_MS = 1000;

/** Before the first sample tells the rate. */
export const NO_COUNTS: SampleCounts = {
  release: 1, least: 1, most: 1, history: 1, hold: 0, noise: 0, still: 1, lone: 2, pulse: 1, pulseGap: 1, rest: { slice: 1, end: 1, loaded: 1 },
};

/** @param rateHz samples per second */
export function sampleCounts(settings: CaptureSettings, numbers: DetectorNumbers, rateHz: number): SampleCounts {
  const samples = (ms: number): number => Math.max(1, Math.round((ms * rateHz) / 1000));
  const { track, mode, holdMs, pulse } = settings;
  const releaseMs = mode === 'pulse' ? Math.max(pulse.gapMs, numbers.releaseMs) : numbers.releaseMs;
  const release = samples(releaseMs);
  const least = samples(numbers.minDurationMs);
  const lone = Math.max(2, samples(LONE_MS));
  const slice = samples(REST_SLICE_MS);
  const slices = (ms: number): number => Math.max(3, Math.ceil((ms * rateHz) / 1000 / slice));
  return {
    release,
    least,
    most: Math.min(MOST_SAMPLES, samples(numbers.maxDurationMs)),
    history: samples(mode === 'track' ? Math.max(TRACK_TRACE_MS, 2 * track.averageMs) : numbers.preRollMs),
    hold: holdMs === null ? Infinity : Math.round((holdMs * rateHz) / 1000),
    noise: samples(NOISE_WINDOW_MS),
    still: Math.ceil(((track.stableMs ?? 0) * rateHz) / 1000) + 1,
    lone,
    pulse: Math.min(least, samples(PULSE_MS)),
    pulseGap: mode === 'track' ? release : Math.max(release, samples(PULSE_GAP_MS)),
    rest: { slice, end: slices(Math.max(REST_ENDS_MS, releaseMs)), loaded: slices(LOADED_MS) },
  };
}
