import type { Verdict } from '../../shared/reading.ts';
import { svg } from './dom.ts';

/** Each verdict has a shape, so that colour is never needed: low points to low, high points to high. Centred on 0, 0. */
const SHAPES: Record<Verdict, { readonly d: string; readonly isHollow?: true }> = {
  within: { d: 'M-6 0a6 6 0 1 0 12 0a6 6 0 1 0-12 0z' },
  low: { d: 'M-7 0L5-7V7z' },
  high: { d: 'M7 0L-5-7V7z' },
  undecided: { d: 'M-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0z', isHollow: true },
  none: { d: 'M-1.500-6h3v12h-3z' },
};

export function verdictShape(verdict: Verdict, scale = 1): SVGGElement {
  const { d, isHollow } = SHAPES[verdict];
  return svg('g', { class: `mark mark-${verdict}`, transform: `scale(${scale})` },
    svg('path', { d, ...(isHollow ? { 'fill': 'none', 'stroke': 'currentColor', 'stroke-width': 3 } : { fill: 'currentColor' }) }));
}

export function verdictIcon(verdict: Verdict): SVGSVGElement {
  return svg('svg', { 'class': 'verdict-icon', 'viewBox': '-9 -9 18 18', 'aria-hidden': 'true' }, verdictShape(verdict));
}
