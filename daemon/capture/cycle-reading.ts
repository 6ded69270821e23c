/** From a cycle that is over to what is captured of it: the run's result, and the trace it can be derived from again. */
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { Cycle } from './cycle.ts';
import type { CycleRun } from './cycle-run.ts';
import type { CapturedEvent } from './events.ts';
import { isOffsetAtRest, makeTrace, type ChannelFacts } from './evidence.ts';
import type { SampleHistory } from './sample-history.ts';

export interface CycleReadingParts {
  readonly cycle: Cycle;
  readonly run: CycleRun;
  /** The one in which the cycle ended, … */
  readonly block: SampleBlock;
  /** … at this index: up to there its samples stand in the history, from the pre-roll on. */
  readonly at: number;
  readonly history: SampleHistory;
  readonly facts: ChannelFacts;
  readonly toWallMs: (monoMs: number) => number;
  /** Torque that stands beyond the release threshold where the cycle ended, N.m, or null. */
  readonly restAfter: number | null;
}

export function cycleReading({ cycle, run, block, at, history, facts, toWallMs, restAfter }: CycleReadingParts): CapturedEvent {
  const { conditioning, settings, numbers: detector, cycleAt, gapBefore, restBefore } = cycle.options;
  const { isPulsed, lastAbove, isTimeEstimated: timeEstimated } = cycle;
  const { spacingMs, rateHz } = block;
  const to = history.length - block.torque.length + at;
  return {
    kind: 'captured',
    capture: run.finish(cycleAt + lastAbove, isOffsetAtRest({ restBefore, restAfter }), isPulsed),
    trace: makeTrace(facts, {
      ...history.timeOf(0, block, toWallMs), spacingMs, rateHz, device: history.device(0, to), status: history.status(0, to),
      conditioning, settings, detector, cycleAt, gapBefore, restBefore, restAfter, isPulsed,
      takenBy: 'cycle', takenAt: cycleAt + lastAbove - 1, timeEstimated,
    }),
  };
}
