/** A cycle from the sample that arms: its direction, its pre-roll, and what evaluates it. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction } from '../../shared/reading.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import { Cycle } from './cycle.ts';
import { CycleRun } from './cycle-run.ts';
import type { SampleCounts } from './sample-counts.ts';
import type { SampleHistory } from './sample-history.ts';

export interface BeginParts {
  readonly block: SampleBlock;
  /** Index in the block of the sample that arms, negative when it is in a block before; and its torque, N.m. */
  readonly at: number;
  readonly first: number;
  /** What is left of it afterwards begins with the pre-roll. */
  readonly history: SampleHistory;
  readonly settings: CaptureSettings;
  readonly numbers: DetectorNumbers;
  readonly counts: SampleCounts;
  /** N.m */
  readonly capacity: number;
  readonly gapBefore: boolean;
  readonly restBefore: number | null;
  /** The last cycle that was no knock. */
  readonly last: { readonly endIndex: number; readonly highest: number };
}

export function beginCycle({ block, at, first, history, settings, numbers, counts, capacity, gapBefore, restBefore, last }: BeginParts): Cycle {
  const { conditioning, rateHz } = block;
  const direction: Direction = first < 0 ? 'ccw' : 'cw';
  const isWanted = settings.direction === 'both' || settings.direction === direction;
  const hasRun = isWanted && settings.mode !== 'track';
  const here = history.length - block.torque.length + at;
  const preRoll = hasRun ? history.cutPreRoll(here, counts.history, numbers.armTorque, conditioning) : null;
  const cycleAt = preRoll?.length ?? 0;
  const run = hasRun ? new CycleRun({ settings, numbers, rateHz, capacity, direction, cycleAt, gapBefore }) : null;
  if (preRoll) run?.push(preRoll, 0, cycleAt, null);
  const firstIndex = block.firstIndex + at;
  return new Cycle({
    direction, isWanted, startMs: block.startMs + at * block.spacingMs, firstIndex, conditioning,
    settings, numbers, counts, cycleAt, run, gapBefore, restBefore,
    justBefore: firstIndex - last.endIndex < counts.pulseGap ? last.highest : 0,
  });
}
