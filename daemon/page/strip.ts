/** The last seconds of live torque: for each pixel column the lowest and the highest, so that no peak is hidden. */
import { el, setText } from './dom.ts';
import { formatTorque, displayStep } from './format.ts';
import { bandOf } from './limits.ts';
import { LiveTape } from './live-tape.ts';
import type { ChannelView } from './model.ts';
import { theme } from './theme.ts';

export class Strip {
  readonly element: HTMLElement;
  readonly #canvas = el('canvas', { 'class': 'strip-canvas', 'aria-hidden': 'true' });
  readonly #top = el('span', { class: 'strip-top' });
  #drawn = '';
  #width = 0;
  #height = 0;

  constructor() {
    this.element = el('figure', { class: 'strip' }, el('figcaption', {}, `Last ${LiveTape.windowMs / 1_000} s`, this.#top), this.#canvas);
    new ResizeObserver((entries) => {
      this.#width = Math.floor(entries[0]?.contentRect.width ?? 0);
      this.#height = Math.floor(entries[0]?.contentRect.height ?? 0);
      this.#drawn = '';
    }).observe(this.#canvas);
  }

  redraw(): void {
    this.#drawn = '';
  }

  update(view: ChannelView): void {
    const key = `${view.tape.revision} ${this.#width} ${this.#height} ${devicePixelRatio}`;
    if (key === this.#drawn || this.#width === 0) return;
    this.#drawn = key;
    const { capacity, resolution } = view.info.transducer;
    const pairs = view.tape.pairs;
    const smallest = capacity * 0.04;
    const low = Math.min(-smallest / 2, ...pairs.map((pair) => pair.low));
    const high = Math.max(smallest / 2, ...pairs.map((pair) => pair.high));
    const highest = pairs.reduce((most, pair) => [pair.low, pair.high].reduce((a, b) => (Math.abs(b) > Math.abs(a) ? b : a), most), 0);
    setText(this.#top, Math.abs(highest) < capacity * 0.01 ? '' : `highest ${formatTorque(highest, displayStep(resolution, capacity))}`);
    const ratio = devicePixelRatio || 1;
    this.#canvas.width = Math.round(this.#width * ratio);
    this.#canvas.height = Math.round(this.#height * ratio);
    const context = this.#canvas.getContext('2d');
    if (!context) return;
    context.scale(ratio, ratio);
    const y = (value: number): number => this.#height - 3 - ((value - low) / (high - low)) * (this.#height - 6);
    const colours = theme();
    const band = bandOf(view.info.settings.limits);
    if (band) {
      context.fillStyle = colours.band;
      const sides = view.info.settings.direction === 'cw' ? [1] : view.info.settings.direction === 'ccw' ? [-1] : [1, -1];
      for (const side of sides) context.fillRect(0, Math.min(y(side * band.low), y(side * band.high)), this.#width, Math.abs(y(band.low) - y(band.high)));
    }
    context.fillStyle = colours.grid;
    context.fillRect(0, Math.round(y(0)), this.#width, 1);
    const last = pairs.at(-1);
    if (!last) return;
    const endMs = last.atMs + last.spacingMs;
    context.fillStyle = colours.line;
    for (const pair of pairs) {
      const left = this.#width * (1 - (endMs - pair.atMs) / LiveTape.windowMs);
      const width = Math.max(1.2, (this.#width * pair.spacingMs) / LiveTape.windowMs);
      const top = y(pair.high) - 0.9;
      context.fillRect(left, top, width, Math.max(1.8, y(pair.low) + 0.9 - top));
    }
  }
}
