import type { Limits } from '../../shared/capture-settings.ts';

/** Magnitudes in the channel's unit. */
export interface Band {
  readonly target: number;
  readonly low: number;
  readonly high: number;
}

export function bandOf(limits: Limits): Band | null {
  switch (limits.kind) {
    case 'none': return null;
    case 'absolute': return { target: limits.target, low: limits.low, high: limits.high };
    case 'percent': return { target: limits.target, low: limits.target * (1 - limits.minus / 100), high: limits.target * (1 + limits.plus / 100) };
  }
}
