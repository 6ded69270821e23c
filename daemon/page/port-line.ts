import type { HelloMessage, InstrumentInfo } from '../../shared/wire/events.ts';
import { el, setAttribute, setShown, setText } from './dom.ts';
import type { PagePorts } from './page-ports.ts';
import { isPageInstrument } from './port-sources.ts';
import { portWords } from './words.ts';

/** The port or USB device of this computer for an instrument that waits for one: what it does now, and what can be done about it. */
export class PortLine {
  readonly element: HTMLElement;
  readonly #ports: PagePorts;
  readonly #text = el('p', { role: 'status' });
  readonly #connect = el('button', { type: 'button', class: 'plain' }, 'Connect port');
  readonly #takeOver = el('button', { type: 'button', class: 'plain' }, 'Take its place');
  readonly #disconnect = el('button', { type: 'button', class: 'plain' }, 'Disconnect');
  #instrument = '';

  constructor(ports: PagePorts) {
    this.#ports = ports;
    this.#connect.addEventListener('click', () => void ports.connect(this.#instrument));
    this.#takeOver.addEventListener('click', () => ports.takeOver(this.#instrument));
    this.#disconnect.addEventListener('click', () => void ports.disconnect(this.#instrument));
    this.element = el('div', { class: 'port', hidden: true }, this.#text, el('div', { class: 'buttons' }, this.#connect, this.#takeOver, this.#disconnect));
  }

  update(instrument: InstrumentInfo | null, isFirstChannel: boolean, isConnected: boolean, scope: HelloMessage['scope']): void {
    const isHere = instrument !== null && isPageInstrument(instrument) && isFirstChannel;
    setShown(this.element, isHere);
    if (!isHere) return;
    this.#instrument = instrument.id;
    const status = this.#ports.status(instrument.id);
    const { text, tone } = portWords(status, instrument);
    setText(this.#text, text);
    setAttribute(this.element, 'data-tone', tone);
    const isUsed = status.kind === 'used' && status.state.kind !== 'ended';
    setText(this.#connect, instrument.pageUsb ? 'Connect USB device' : 'Connect port');
    setShown(this.#connect, status.kind !== 'unsupported' && !isUsed);
    setShown(this.#disconnect, isUsed);
    setShown(this.#takeOver, status.kind === 'used' && status.state.kind === 'ended' && status.state.reason === 'refused' && status.state.error.code === 'LINK_BUSY');
    for (const button of [this.#connect, this.#takeOver]) {
      button.disabled = !isConnected || scope === 'read';
      setAttribute(button, 'title', scope === 'read' ? 'Your token may only read.' : null);
    }
  }
}
