import { FLAG_MEANINGS } from '../../shared/flags.ts';
import { el, onOneLineEach } from './dom.ts';
import { clockTime, displayStep, formatTorque, pulseParts, stepIn, unitSymbol } from './format.ts';
import type { ListedReading, PageModel } from './model.ts';
import { verdictIcon } from './verdict-mark.ts';
import { VERDICT_WORDS } from './words.ts';

/** The latest readings of all channels, newest first. */
export class ReadingsList {
  readonly element: HTMLElement;
  readonly #body = el('tbody');
  readonly #empty = el('p', { class: 'quiet' }, 'Readings appear here as they are stored.');
  #drawn: readonly ListedReading[] | null = null;

  constructor() {
    const heads = ['Time', 'Channel', 'Value', 'Highest', 'Detail', 'Verdict', 'Flags'];
    this.element = el('div', { class: 'readings' },
      el('h2', { id: 'readings-title' }, 'Readings'),
      // Scrolls sideways on a narrow screen; focusable, so that the keyboard reaches what is beyond the edge.
      el('div', { 'class': 'table-scroll', 'tabindex': 0, 'role': 'region', 'aria-labelledby': 'readings-title' },
        el('table', {}, el('thead', {}, el('tr', {}, ...heads.map((head) => el('th', { scope: 'col', class: `col-${head.toLowerCase()}` }, head)))), this.#body)),
      this.#empty);
  }

  update(model: PageModel): void {
    if (this.#drawn === model.listed) return;
    this.#drawn = model.listed;
    this.#empty.hidden = model.listed.length > 0;
    this.#body.replaceChildren(...model.listed.map((entry) => row(entry, model)));
  }
}

function row({ reading, isStored }: ListedReading, model: PageModel): HTMLElement {
  const info = model.channels.get(reading.channel)?.info;
  const step = info ? stepIn(reading.unit, info) : displayStep(null, Math.abs(reading.maximum));
  const flags = [...reading.flags.map((flag) => tag(flag, FLAG_MEANINGS[flag] ?? 'Of a newer gateway; its manual says what it means.')),
    ...(isStored ? [] : [tag('not stored', 'The store refused it; the gateway keeps it and tries again.')])];
  return el('tr', { 'data-reading': reading.id, 'data-verdict': reading.verdict },
    el('td', {}, el('time', { datetime: reading.startedAt }, clockTime(reading.startedAt))),
    el('td', { class: 'col-channel' }, info?.title || reading.channel),
    el('td', { class: 'figure-cell' }, formatTorque(reading.value, step), el('span', { class: 'unit' }, ` ${unitSymbol(reading.unit)}`)),
    el('td', { class: 'figure-cell' }, formatTorque(reading.maximum, step)),
    el('td', { class: reading.pulse || reading.zeroCheck ? 'col-detail detail-own' : 'col-detail' }, ...onOneLineEach(details(reading, step))),
    el('td', {}, el('span', { 'class': 'verdict', 'data-verdict': reading.verdict }, verdictIcon(reading.verdict), el('span', {}, VERDICT_WORDS[reading.verdict]))),
    el('td', { class: 'col-flags' }, ...flags));
}

function details({ value, click, pulse, zeroCheck }: ListedReading['reading'], step: number): readonly string[] {
  return [
    ...(zeroCheck ? ['zero check'] : []), ...(click === undefined ? [] : [click ? 'click' : 'no click']),
    ...(pulse ? pulseParts(pulse, step, value) : []),
  ];
}

function tag(text: string, meaning: string): HTMLElement {
  return el('span', { class: 'tag', title: meaning }, text);
}
