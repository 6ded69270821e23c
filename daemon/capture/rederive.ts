/** A reading's capture from its stored trace: the same code as live, so the same doubles. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Direction } from '../../shared/reading.ts';
import type { Trace } from '../../shared/trace.ts';
import { torqueOf } from '../conditioning/calibration.ts';
import { CycleRun } from './cycle-run.ts';
import { isOffsetAtRest } from './evidence.ts';
import type { Capture } from './events.ts';
import { trackCapture } from './track.ts';

/**
 * @param settings other settings than the stored ones, to see what they would have given
 * @throws TorsiondError RATE_TOO_LOW when the trace's sample rate cannot carry other settings
 */
export function rederive(trace: Omit<Trace, 'id'>, settings: CaptureSettings = trace.evidence.settings): Capture {
  const { conditioning, detector, transducer, cycleAt, takenAt, gapBefore } = trace.evidence;
  const { device, status, rateHz } = trace;
  const { capacity } = transducer;
  if (settings.mode === 'track') return trackCapture({ device, status, conditioning, settings, rateHz, capacity, isOffset: isOffsetAtRest(trace.evidence) });
  const torque = torqueOf(device, conditioning);
  const direction: Direction = torque[cycleAt]! < 0 ? 'ccw' : 'cw';
  const run = new CycleRun({ settings, numbers: detector, rateHz, capacity, direction, cycleAt, gapBefore });
  run.push(torque, 0, torque.length, status);
  return run.finish((takenAt ?? torque.length - 1) + 1, isOffsetAtRest(trace.evidence), trace.evidence.isPulsed);
}
