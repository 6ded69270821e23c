/** A slim bar over the whole capacity: where the torque is now, and where the limits lie in it. */
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import { el, setAttribute, setText, svg } from './dom.ts';
import { formatTorque } from './format.ts';
import { bandOf } from './limits.ts';
import type { ChannelView } from './model.ts';

/** Ends of the bar, signed, in the channel's unit. */
export function reachEnds(direction: CaptureSettings['direction'], capacity: number): { from: number; to: number } {
  return { from: direction === 'cw' ? 0 : -capacity, to: direction === 'ccw' ? 0 : capacity };
}

export class Reach {
  readonly element: HTMLElement;
  readonly #bands = svg('g');
  readonly #fill = svg('rect', { class: 'reach-fill', y: 0, height: 14 });
  readonly #zero = svg('line', { class: 'reach-zero', y1: -3, y2: 17 });
  readonly #from = el('span');
  readonly #to = el('span');
  #drawn = '';

  constructor() {
    const bar = svg('svg', { 'class': 'reach-bar', 'aria-hidden': 'true' }, svg('rect', { class: 'reach-track', y: 0, width: '100%', height: 14, rx: 3 }), this.#fill, this.#bands, this.#zero);
    this.element = el('div', { class: 'reach' }, this.#from, bar, this.#to);
  }

  update(view: ChannelView): void {
    const { settings, transducer } = view.info;
    const { from, to } = reachEnds(settings.direction, transducer.capacity);
    const percent = (value: number): number => Math.min(100, Math.max(0, ((value - from) / (to - from)) * 100));
    const key = JSON.stringify([from, to, settings.limits]);
    if (key !== this.#drawn) {
      this.#drawn = key;
      const step = 10 ** Math.floor(Math.log10(transducer.capacity) - 1);
      setText(this.#from, formatTorque(from, step));
      setText(this.#to, formatTorque(to, step));
      setAttribute(this.#zero, 'x1', `${percent(0)}%`);
      setAttribute(this.#zero, 'x2', `${percent(0)}%`);
      const band = bandOf(settings.limits);
      const sides = band === null ? [] : [settings.direction !== 'ccw' ? 1 : 0, settings.direction !== 'cw' ? -1 : 0].filter((side) => side !== 0);
      this.#bands.replaceChildren(...sides.map((side) => {
        const start = percent(Math.min(side * band!.low, side * band!.high));
        const end = percent(Math.max(side * band!.low, side * band!.high));
        return svg('rect', { class: 'reach-band', x: `${start}%`, width: `${Math.max(0.6, end - start)}%`, y: -3, height: 20 });
      }));
    }
    const live = view.live ?? 0;
    const start = percent(Math.min(0, live));
    const end = percent(Math.max(0, live));
    setAttribute(this.#fill, 'x', `${start.toFixed(2)}%`);
    setAttribute(this.#fill, 'width', `${(end - start).toFixed(2)}%`);
    this.element.classList.toggle('is-over', Math.abs(live) > transducer.capacity);
  }
}
