/** What a reading of mode `pulse` must say of a run-down. */
import type { Capture } from '../../daemon/capture/events.ts';
import type { HardCycle } from '../../simulator/hard-corpus/index.ts';

/** The count must be exact. Height and the rest are judged with the value. */
export function isPulseRight(capture: Capture, truth: HardCycle): boolean {
  const pulses = (capture as { pulses?: { count?: number } }).pulses;
  return pulses?.count === truth.pulses?.length;
}
