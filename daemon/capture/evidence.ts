/** What is stored beside a trace, and the capture settings with every number resolved. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Evidence, Trace } from '../../shared/trace.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from './defaults.ts';

/** What stays the same for all traces of a channel. */
export interface ChannelFacts {
  readonly channel: string;
  readonly software: string;
  /** N.m */
  readonly capacity: number;
  readonly transducer: Evidence['transducer'];
  readonly isSimulated: boolean;
}

export type TraceParts = Omit<Trace, 'id' | 'channel' | 'evidence'> & Pick<Evidence, 'conditioning' | 'settings' | 'cycleAt' | 'takenBy' | 'takenAt' | 'timeEstimated'>;

export function makeTrace(facts: ChannelFacts, parts: TraceParts): Omit<Trace, 'id'> {
  const { conditioning, settings, cycleAt, takenBy, takenAt, timeEstimated, ...samples } = parts;
  return {
    ...samples,
    channel: facts.channel,
    evidence: {
      software: facts.software, conditioning, settings, transducer: facts.transducer, cycleAt, takenBy, takenAt,
      simulated: facts.isSimulated, timeEstimated,
    },
  };
}

export function resolvedSettings(settings: CaptureSettings, numbers: DetectorNumbers): CaptureSettings {
  return {
    ...settings,
    detector: { ...numbers },
  };
}

/** Capture counts in the nominal rate. Times made from counts are estimates when samples come at another by more than this share. */
const RATE_TOLERANCE = 0.03;

export function isTimeEstimated(block: SampleBlock): boolean {
  return block.timeEstimated || Math.abs((block.spacingMs * block.rateHz) / 1000 - 1) > RATE_TOLERANCE;
}
