/**
 * The last readings on a scale around the limits: one row each, the newest on top, older ones smaller. The shape says
 * the verdict; a reading beyond the scale stands at its edge.
 */
import type { Reading } from '../../shared/reading.ts';
import type { ChannelInfo } from '../../shared/wire/events.ts';
import { el, svg } from './dom.ts';
import { displayStep, formatTorque, roundTicks, unitSymbol } from './format.ts';
import { bandOf, type Band } from './limits.ts';
import { READINGS_PER_CHANNEL, type ChannelView } from './model.ts';
import { verdictShape } from './verdict-mark.ts';
import { VERDICT_WORDS } from './words.ts';

/** Shares of the drawing's height, which the style sheet sets. */
const BOTTOM = 85;
const rowAt = (row: number): string => `${(5 + (row * (BOTTOM - 8)) / (READINGS_PER_CHANNEL - 1)).toFixed(2)}%`;

export interface TrailScale {
  readonly from: number;
  readonly to: number;
}

/** Magnitudes. With limits the band takes the middle, a little less than half; without, the scale follows the readings. */
export function trailScale(band: Band | null, magnitudes: readonly number[], step: number): TrailScale | null {
  if (band) {
    const width = Math.max(band.high - band.low, 4 * step);
    return { from: Math.max(0, band.low - 0.65 * width), to: band.high + 0.65 * width };
  }
  if (magnitudes.length === 0) return null;
  const low = Math.min(...magnitudes);
  const high = Math.max(...magnitudes);
  const margin = Math.max((high - low) * 0.2, 10 * step, high * 0.01);
  return { from: Math.max(0, low - margin), to: high + margin };
}

/** Those of the readings that were judged against what is set now, so that one scale is true for all of them. */
export function comparable(readings: readonly Reading[], info: ChannelInfo): readonly Reading[] {
  const band = bandOf(info.settings.limits);
  return readings.filter((reading) => reading.unit === info.settings.unit && same(reading.low, band?.low) && same(reading.high, band?.high));
}

const same = (a: number | null, b: number | undefined): boolean => (a === null ? b === undefined : b !== undefined && Math.abs(a - b) <= 1e-9 * Math.abs(b));

export class Trail {
  readonly element: HTMLElement;
  readonly #svg = svg('svg', { class: 'trail-scale', role: 'img' });
  readonly #empty = el('p', { class: 'quiet' });
  #drawn = '';

  constructor() {
    this.element = el('figure', { class: 'trail' }, el('figcaption', {}, 'Last readings'), this.#svg, this.#empty);
  }

  update(view: ChannelView): void {
    const key = JSON.stringify([view.info.settings.limits, view.info.settings.unit, view.readings.map((reading) => reading.id)]);
    if (key === this.#drawn) return;
    this.#drawn = key;
    const { settings, transducer } = view.info;
    const step = displayStep(transducer.resolution, transducer.capacity);
    const band = bandOf(settings.limits);
    const readings = comparable(view.readings, view.info);
    const scale = trailScale(band, readings.map((reading) => Math.abs(reading.value)), step);
    this.#empty.hidden = readings.length > 0;
    this.#empty.textContent = view.readings.length > 0 ? 'No reading against these limits yet.' : 'No reading yet.';
    this.#svg.replaceChildren();
    // An SVG element has no `hidden` of its own, so its display is set.
    this.#svg.style.display = scale === null ? 'none' : '';
    if (scale === null) return;
    const x = (value: number): string => `${(4 + 92 * Math.min(1, Math.max(0, (value - scale.from) / (scale.to - scale.from)))).toFixed(2)}%`;
    this.#svg.append(...(band ? drawBand(band, x, step) : drawTicks(scale, x, step)));
    readings.forEach((reading, row) => this.#svg.append(drawReading(reading, row, scale, x, step)));
    this.#svg.setAttribute('aria-label', readings.length === 0 ? 'No reading yet'
      : `Last readings, newest first: ${readings.map((reading) => `${formatTorque(Math.abs(reading.value), step)} ${VERDICT_WORDS[reading.verdict]}`).join(', ')}`);
  }
}

function drawBand(band: Band, x: (value: number) => string, step: number): SVGElement[] {
  const width = `${(parseFloat(x(band.high)) - parseFloat(x(band.low))).toFixed(2)}%`;
  const isNarrow = parseFloat(width) < 26;
  return [
    svg('rect', { class: 'band', x: x(band.low), width, y: 0, height: `${BOTTOM}%` }),
    ...[band.low, band.high].map((value) => svg('line', { class: 'band-edge', x1: x(value), x2: x(value), y1: 0, y2: `${BOTTOM}%` })),
    svg('line', { class: 'band-target', x1: x(band.target), x2: x(band.target), y1: 0, y2: `${BOTTOM}%` }),
    svg('text', { 'class': 'tick', 'x': x(band.low), 'y': '98%', 'text-anchor': isNarrow ? 'end' : 'middle' }, formatTorque(band.low, step)),
    svg('text', { 'class': 'tick tick-target', 'x': x(band.target), 'y': '98%', 'text-anchor': 'middle' }, formatTorque(band.target, step)),
    svg('text', { 'class': 'tick', 'x': x(band.high), 'y': '98%', 'text-anchor': isNarrow ? 'start' : 'middle' }, formatTorque(band.high, step)),
  ];
}

function drawTicks(scale: TrailScale, x: (value: number) => string, step: number): SVGElement[] {
  return [
    svg('line', { class: 'axis', x1: '4%', x2: '96%', y1: `${BOTTOM}%`, y2: `${BOTTOM}%` }),
    ...roundTicks(scale.from, scale.to, 4).flatMap((value) => [
      svg('line', { class: 'axis', x1: x(value), x2: x(value), y1: `${BOTTOM - 3}%`, y2: `${BOTTOM}%` }),
      svg('text', { 'class': 'tick', 'x': x(value), 'y': '98%', 'text-anchor': 'middle' }, formatTorque(value, step)),
    ]),
  ];
}

function drawReading(reading: Reading, row: number, scale: TrailScale, x: (value: number) => string, step: number): SVGElement {
  const magnitude = Math.abs(reading.value);
  const isBeyond = magnitude < scale.from || magnitude > scale.to;
  const size = row === 0 ? 1.15 : 0.85 - row * 0.035;
  const place = svg('svg', { x: x(magnitude), y: rowAt(row), overflow: 'visible', class: row === 0 ? 'trail-newest' : 'trail-older' },
    svg('title', {}, `${formatTorque(reading.value, step)} ${unitSymbol(reading.unit)}, ${VERDICT_WORDS[reading.verdict]}`),
    verdictShape(reading.verdict, size));
  if (isBeyond) place.append(svg('path', { class: 'beyond', d: magnitude < scale.from ? 'M-11-4l-4 4l4 4' : 'M11-4l4 4l-4 4' }));
  return place;
}
