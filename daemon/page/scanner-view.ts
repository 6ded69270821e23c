/** Whether scanners are connected, what to do when not, and the last code for some moments. */
import type { Clock } from '../../shared/clock.ts';
import type { ScannerInfo } from '../../shared/wire/events.ts';
import { el, setAttribute, setShown, setText } from './dom.ts';
import type { PageModel } from './model.ts';
import { scanSource, SCANNER_REASONS, SCANNER_WORDS, scannersInShort, sentence } from './words.ts';

const NOTE_MS = 8_000;

export class ScannerView {
  /** One short line for the head of the page: it never grows, so that nothing moves when a scanner is lost. */
  readonly summary = el('p', { class: 'scanners-short', hidden: true });
  /** Every scanner with what is wrong with it; below the channels, whose buttons it must not move. */
  readonly element: HTMLElement;
  /** Lies over the page. Always there, because only then what comes into it is read out. */
  readonly note = el('div', { class: 'scan-note', role: 'status' });
  readonly #list = el('ul');
  readonly #clock: Clock;
  #drawn = '';
  #cancel: () => void = () => {};

  constructor(clock: Clock) {
    this.#clock = clock;
    this.element = el('section', { 'class': 'scanners', 'aria-labelledby': 'scanners-title', 'hidden': true }, el('h2', { id: 'scanners-title' }, 'Scanners'), this.#list);
  }

  update(model: PageModel, isConnected: boolean): void {
    const scanners = [...model.scanners.values()];
    const short = isConnected ? scannersInShort(scanners) : null;
    setText(this.summary, short?.text ?? '');
    setAttribute(this.summary, 'data-state', short?.isWell === false ? 'waiting' : 'connected');
    setShown(this.summary, short !== null);
    setShown(this.element, scanners.length > 0 && isConnected);
    const key = JSON.stringify(scanners);
    if (key === this.#drawn) return;
    this.#drawn = key;
    this.#list.replaceChildren(...scanners.map(row));
  }

  sawCode(code: string, source: string, model: PageModel): void {
    // Isolated: marks of direction in a code must not turn round what stands after it.
    this.#say(el('p', {}, 'Code ', el('strong', {}, el('bdi', {}, shown(code))), el('span', {}, ` ${scanSource(source, model.scanners)}`)));
  }

  refused(what: string): void {
    this.#say(el('p', { 'data-tone': 'refused' }, what));
  }

  #say(text: HTMLElement): void {
    this.#cancel();
    this.note.replaceChildren(text);
    this.#cancel = this.#clock.after(NOTE_MS, () => this.note.replaceChildren());
  }
}

function row({ id, title, state, fault, link }: ScannerInfo): HTMLElement {
  const reason = SCANNER_REASONS[state] ?? null;
  const why = fault ? `${sentence(fault.message)} ${fault.hint} (${fault.code})` : reason;
  return el('li', { 'data-scanner': id, 'data-state': state },
    el('span', { class: 'state' }, SCANNER_WORDS[state]), el('span', { class: 'scanner-title' }, title), el('span', { class: 'where' }, link),
    state === 'waiting' || state === 'stopped' ? el('p', { class: state === 'waiting' ? 'trouble' : 'quiet' }, why) : null);
}

/** Separators of data fields by the signs that Unicode has for them. */
function shown(code: string): string {
  return [...code].map((letter) => (letter < ' ' ? String.fromCodePoint(0x2400 + letter.codePointAt(0)!) : letter)).join('');
}
