/** The curve of the last cycle: torque over time with the limits behind it and the captured torque marked. */
import uPlot from 'uplot';
import type { Reading } from '../../shared/reading.ts';
import { el, setText } from './dom.ts';
import { decimalsFor, durationText, formatTorque, stepIn, unitSymbol } from './format.ts';
import type { ChannelView } from './model.ts';
import { theme } from './theme.ts';
import { fetchCurve, type CycleCurve } from './trace.ts';
import { VERDICT_WORDS } from './words.ts';

/** Height of a row of labels, CSS pixels. */
const LABEL_ROW = 20;
const hasTwoMarks = (reading: Reading): boolean => reading.maximum !== reading.value;

export class Curve {
  readonly element: HTMLElement;
  readonly #token: () => string;
  readonly #host = el('div', { class: 'curve-plot', role: 'img', hidden: true });
  readonly #note = el('p', { class: 'quiet' });
  readonly #caption = el('span', { class: 'curve-what' });
  #plot: uPlot | null = null;
  #shown: { readonly reading: Reading; readonly curve: CycleCurve; readonly step: number } | null = null;
  #wanted: string | null = null;
  #loading: AbortController | null = null;
  #width = 0;
  #height = 0;

  constructor(token: () => string) {
    this.#token = token;
    this.element = el('figure', { class: 'curve' }, el('figcaption', {}, 'Last cycle', this.#caption), this.#host, this.#note);
    this.#note.textContent = 'The curve appears with the next reading.';
    new ResizeObserver((entries) => {
      // The style sheet sets the height, so that a wide panel can have a taller curve.
      const width = Math.floor(entries[0]?.contentRect.width ?? 0);
      const height = Math.floor(entries[0]?.contentRect.height ?? 0);
      if (width === 0 || (width === this.#width && height === this.#height)) return;
      this.#width = width;
      this.#height = height;
      if (this.#plot) this.#plot.setSize({ width, height });
      else this.redraw();
    }).observe(this.#host);
  }

  update(view: ChannelView): void {
    const reading = view.readings[0];
    if (!reading || reading.id === this.#wanted) return;
    this.#wanted = reading.id;
    this.#loading?.abort();
    if (reading.traceId === null) {
      this.#clear('This reading has no trace.');
      return;
    }
    const loading = new AbortController();
    this.#loading = loading;
    const step = stepIn(reading.unit, view.info);
    fetchCurve(reading, this.#token(), loading.signal).then((curve) => {
      this.#shown = { reading, curve, step };
      this.#host.hidden = false;
      this.redraw();
    }, (thrown: unknown) => {
      if (!loading.signal.aborted) this.#clear(`The curve could not be fetched: ${thrown instanceof Error ? thrown.message : 'unknown reason'}.`);
    });
  }

  /** Asks again for a curve that could not be had while the gateway was away. */
  retry(): void {
    if (this.#shown?.reading.id !== this.#wanted) this.#wanted = null;
  }

  redraw(): void {
    this.#plot?.destroy();
    this.#plot = null;
    const shown = this.#shown;
    if (!shown || this.#width === 0) return;
    this.#note.hidden = true;
    this.#host.dataset['reading'] = shown.reading.id;
    const { reading, curve, step } = shown;
    const lasted = reading.mode === 'track' ? `mean of ${durationText(reading.durationMs)}` : durationText(reading.durationMs);
    setText(this.#caption, `${lasted} · ${Math.round(reading.sampleRateHz)} samples/s`);
    this.#host.setAttribute('aria-label', describe(reading, step));
    this.#plot = new uPlot(plotOptions(shown, this.#width, this.#height), [curve.seconds, curve.torque], this.#host);
  }

  #clear(note: string): void {
    this.#shown = null;
    this.#plot?.destroy();
    this.#plot = null;
    this.#host.hidden = true;
    delete this.#host.dataset['reading'];
    setText(this.#caption, '');
    this.#note.hidden = false;
    this.#note.textContent = note;
  }
}

function describe(reading: Reading, step: number): string {
  const unit = unitSymbol(reading.unit);
  const click = reading.click === undefined ? '' : reading.click ? ', with a click' : ', without a click';
  return `Torque over time of the last cycle, ${durationText(reading.durationMs)}: value ${formatTorque(reading.value, step)} ${unit}, highest ${formatTorque(reading.maximum, step)} ${unit}${click}. ${VERDICT_WORDS[reading.verdict]}.`;
}

function plotOptions(shown: { reading: Reading; curve: CycleCurve; step: number }, width: number, height: number): uPlot.Options {
  const { reading } = shown;
  const colours = theme();
  const axis = { stroke: colours.quiet, font: `12px ${colours.font}`, grid: { stroke: colours.grid, width: 1 }, ticks: { show: false } };
  const side = Math.sign(reading.value) || 1;
  return {
    width,
    height,
    padding: [14, 12, 0, 0],
    legend: { show: false },
    cursor: { show: false },
    scales: {
      x: { time: false },
      y: {
        range: (plot, low, high) => {
          const ends = [low, high, 0, side * (reading.high ?? 0)];
          const from = Math.min(...ends);
          const to = Math.max(...ends);
          const span = to - from || 1;
          const margin = span * 0.06;
          // A row of its own for the second label, where no point can be.
          const row = hasTwoMarks(reading) ? (span * LABEL_ROW) / Math.max(LABEL_ROW, plot.height - 2 * LABEL_ROW) : 0;
          return [from - margin - (side < 0 ? row : 0), to + margin + (side > 0 ? row : 0)];
        },
      },
    },
    axes: [
      { ...axis, size: 26, space: 56, values: (_, ticks) => ticks.map((tick, i) => `${tick}${i === ticks.length - 1 ? ' s' : ''}`.replace('-', '−')) },
      { ...axis, size: 44, space: 30, values: (_, ticks) => {
        const decimals = ticks.length > 1 ? decimalsFor(Math.abs(ticks[1]! - ticks[0]!)) : 0;
        return ticks.map((tick) => tick.toFixed(decimals).replace('-', '−'));
      } },
    ],
    series: [{}, { stroke: colours.line, width: 1.75, points: { show: false } }],
    hooks: {
      drawClear: [(plot) => drawLimits(plot, reading, side)],
      draw: [(plot) => drawMarks(plot, shown, side)],
    },
  };
}

function drawLimits(plot: uPlot, reading: Reading, side: number): void {
  const { ctx, bbox } = plot;
  const colours = theme();
  const y = (value: number): number => plot.valToPos(side * value, 'y', true);
  ctx.save();
  if (reading.low !== null && reading.high !== null) {
    const top = Math.min(y(reading.low), y(reading.high));
    ctx.fillStyle = colours.band;
    ctx.fillRect(bbox.left, top, bbox.width, Math.abs(y(reading.low) - y(reading.high)));
    ctx.fillStyle = colours.edge;
    for (const value of [reading.low, reading.high]) ctx.fillRect(bbox.left, Math.round(y(value)), bbox.width, uPlot.pxRatio);
  }
  if (reading.target !== null) {
    ctx.strokeStyle = colours.edge;
    ctx.lineWidth = uPlot.pxRatio;
    ctx.setLineDash([4 * uPlot.pxRatio, 4 * uPlot.pxRatio]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y(reading.target));
    ctx.lineTo(bbox.left + bbox.width, y(reading.target));
    ctx.stroke();
  }
  ctx.restore();
}

function drawMarks(plot: uPlot, shown: { reading: Reading; curve: CycleCurve; step: number }, side: number): void {
  const { reading, curve, step } = shown;
  const colours = theme();
  const ratio = uPlot.pxRatio;
  const { ctx, bbox } = plot;
  ctx.save();
  ctx.font = `600 ${12 * ratio}px ${colours.font}`;
  ctx.lineWidth = 2 * ratio;
  const point = (index: number, value: number, isMain: boolean): { x: number; y: number } => {
    const x = plot.valToPos(curve.seconds[index]!, 'x', true);
    const y = plot.valToPos(value, 'y', true);
    ctx.beginPath();
    ctx.arc(x, y, (isMain ? 5 : 3.5) * ratio, 0, 2 * Math.PI);
    ctx.fillStyle = isMain ? colours.accent : colours.paper;
    ctx.strokeStyle = isMain ? colours.paper : colours.quiet;
    ctx.fill();
    ctx.stroke();
    return { x, y };
  };
  /** @param x where the text begins, moved so that all of it is seen */
  const label = (text: string, x: number, y: number, colour: string): void => {
    const left = Math.max(bbox.left + 2 * ratio, Math.min(x, bbox.left + bbox.width - ctx.measureText(text).width));
    ctx.lineWidth = 4 * ratio;
    ctx.strokeStyle = colours.paper;
    ctx.lineJoin = 'round';
    ctx.strokeText(text, left, y);
    ctx.lineWidth = 2 * ratio;
    ctx.fillStyle = colour;
    ctx.fillText(text, left, y);
  };
  const bottom = bbox.top + bbox.height - 4 * ratio;
  if (hasTwoMarks(reading) && curve.maximumAt !== null) {
    const { x } = point(curve.maximumAt, reading.maximum, false);
    const text = `highest ${formatTorque(reading.maximum, step)}`;
    label(text, x - ctx.measureText(text).width / 2, side > 0 ? bbox.top - 2 * ratio : bottom, colours.quiet);
  }
  if (curve.valueAt !== null) {
    const { x, y } = point(curve.valueAt, reading.value, true);
    const text = `${reading.click === true ? 'click' : 'value'} ${formatTorque(reading.value, step)}`;
    const beside = y - (side > 0 ? 7 : -13) * ratio;
    label(text, x - ctx.measureText(text).width - 9 * ratio, Math.min(bottom, Math.max(bbox.top - 2 * ratio, beside)), colours.ink);
  }
  ctx.restore();
}
