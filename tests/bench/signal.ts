/** Torque as a click wrench gives it: pulls of one to three seconds with pauses between them, seen by a 16-bit sensor. */
import { ChannelSource } from '../../simulator/instruments/channel-source.ts';
import { OperatorPlan, ToolPlan } from '../../simulator/instruments/tool-plan.ts';

export const CAPACITY = 60;
export const TARGET = 50;

export function pullSignal(rateHz: number, seconds: number, seed = 11): Float64Array {
  const source = new ChannelSource({
    tool: ToolPlan.parse({ kind: 'click-wrench', setNm: TARGET }),
    operator: OperatorPlan.parse({}),
    pauseS: [1, 2.5], firstPullS: 1, pulls: null, clockErrorPpm: 0, jitterS: 0,
    sensor: { capacity: CAPACITY, bits: 16, noiseSigma: 0.0005 * CAPACITY, offset: 0, driftPerS: 0, bandwidthHz: Math.min(2_000, 2 * rateHz) },
  }, rateHz, seed);
  return Float64Array.from({ length: Math.round(rateHz * seconds) }, () => source.next());
}
