/**
 * An impulse screwdriver on a run-down fixture: short blows, each higher than the one before until the joint is tight.
 * Each blow is half a sine. What the joint keeps of it may stay on until the trigger is let go.
 */
import { fallen } from './curve.ts';
import type { Pull } from './pull.ts';

export interface PulseToolTraits {
  /** N.m, in order, at least one. */
  readonly heights: readonly number[];
  /** 3 to 10 ms (common practice of hydraulic impulse tools), s. */
  readonly widthS: number;
  /** From one blow to the next, s: 10 to 40 blows a second. */
  readonly periodS: number;
  /** Share of a blow that stays on after it. */
  readonly residual: number;
  readonly direction: 'cw' | 'ccw';
}

export interface PulseRun extends Pull {
  /** What is true: when each blow crests, s, and how high, N.m, signed. */
  readonly pulses: readonly { readonly atS: number; readonly height: number }[];
}

const START_S = 0.02;
const LET_GO_S = 0.05;

export function runPulseTool({ heights, widthS, periodS, residual, direction }: PulseToolTraits): PulseRun {
  if (widthS >= periodS) throw new RangeError(`blows of ${widthS} s do not fit into ${periodS} s`);
  const sign = direction === 'cw' ? 1 : -1;
  const lastEndS = START_S + (heights.length - 1) * periodS + widthS;
  const durationS = lastEndS + LET_GO_S;
  const kept = (i: number): number => (i < 0 ? 0 : residual * heights[i]!);
  return {
    durationS,
    clickAtS: null,
    travelDegAt: () => 0,
    pulses: heights.map((height, i) => ({ atS: START_S + i * periodS + widthS / 2, height: sign * height })),
    torqueAt(t) {
      if (t <= 0 || t >= durationS) return 0;
      if (t >= lastEndS) return sign * kept(heights.length - 1) * (1 - fallen('cosine', (t - lastEndS) / LET_GO_S));
      const i = Math.floor((t - START_S) / periodS);
      if (i < 0) return 0;
      const x = (t - START_S - i * periodS) / widthS;
      if (x >= 1) return sign * kept(i);
      // From what the blow before left, over the crest, to what this one leaves.
      const floor = x < 0.5 ? kept(i - 1) : kept(i);
      return sign * (floor + (heights[i]! - floor) * Math.sin(Math.PI * x));
    },
  };
}
