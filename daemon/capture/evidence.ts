/** What is stored beside a trace. */
import type { Evidence, Trace } from '../../shared/trace.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';

/**
 * Version of the mathematics that makes a reading of a trace: low-pass, modes, click. Raise it with every change that
 * can change a reading; `recheck` then tells old readings apart from damaged ones.
 */
export const CAPTURE_VERSION = 2;

/** What stays the same for all traces of a channel. */
export interface ChannelFacts {
  readonly channel: string;
  readonly software: string;
  /** N.m */
  readonly capacity: number;
  readonly transducer: Evidence['transducer'];
  readonly isSimulated: boolean;
}

type EvidenceParts = Pick<Evidence, 'conditioning' | 'settings' | 'detector' | 'cycleAt' | 'takenBy' | 'takenAt' | 'gapBefore' | 'restBefore' | 'restAfter' | 'isPulsed' | 'timeEstimated'>;
export type TraceParts = Omit<Trace, 'id' | 'channel' | 'evidence'> & EvidenceParts;

export function makeTrace(facts: ChannelFacts, parts: TraceParts): Omit<Trace, 'id'> {
  const { conditioning, settings, detector, cycleAt, takenBy, takenAt, gapBefore, restBefore, restAfter, isPulsed, timeEstimated, ...samples } = parts;
  return {
    ...samples,
    channel: facts.channel,
    evidence: {
      software: facts.software, captureVersion: CAPTURE_VERSION, conditioning, settings, detector,
      transducer: facts.transducer, cycleAt, takenBy, takenAt, gapBefore, restBefore, restAfter, isPulsed, simulated: facts.isSimulated, timeEstimated,
    },
  };
}

/** Capture counts in the nominal rate. Times made from counts are estimates when samples come at another by more than this share. */
const RATE_TOLERANCE = 0.03;

/** The value includes what stood there without a pull. */
export function isOffsetAtRest({ restBefore, restAfter }: Pick<Evidence, 'restBefore' | 'restAfter'>): boolean {
  return typeof restBefore === 'number' || typeof restAfter === 'number';
}

export function isTimeEstimated(block: SampleBlock): boolean {
  return block.timeEstimated || Math.abs((block.spacingMs * block.rateHz) / 1000 - 1) > RATE_TOLERANCE;
}
