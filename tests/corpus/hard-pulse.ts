/** What a reading of mode `pulse` must say of a run-down. */
import type { Capture } from '../../daemon/capture/events.ts';
import type { HardCycle } from '../../simulator/hard-corpus/index.ts';

/** The count must be exact. Height and the rest are judged with the value. */
export function isPulseRight(capture: Capture, truth: HardCycle): boolean {
  return capture.pulse?.count === truth.pulses?.length;
}
