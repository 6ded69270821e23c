import { ChannelPanel, type ChannelActions } from './channel-panel.ts';
import { el, setAttribute, setShown, setText } from './dom.ts';
import type { PageModel } from './model.ts';
import type { PagePorts } from './page-ports.ts';
import { systemClock } from '../../shared/clock.ts';
import { ScannerView } from './scanner-view.ts';
import { ReadingsList } from './readings-list.ts';
import { CAUTIONS } from './words.ts';

/** The whole page. */
export class StationView {
  readonly element: HTMLElement;
  readonly #actions: ChannelActions;
  readonly #token: () => string;
  readonly #ports: PagePorts;
  readonly #station = el('h1');
  readonly #connection = el('p', { class: 'connection' });
  readonly #simulated = el('p', { class: 'tag tag-simulated' });
  readonly #lost = el('div', { class: 'banner banner-lost', role: 'alert', hidden: true });
  readonly #store = el('div', { class: 'banner banner-store', role: 'alert', hidden: true });
  readonly #channels = el('div', { class: 'channels' });
  readonly #none = el('p', { class: 'quiet none' }, 'No channel is set up on this station. Name an instrument in the settings file and start it again.');
  readonly #panels = new Map<string, ChannelPanel>();
  readonly #list = new ReadingsList();
  readonly #spoken = el('div', { 'class': 'spoken', 'role': 'log', 'aria-live': 'polite' });
  readonly scanners = new ScannerView(systemClock);
  readonly #version = el('span');

  constructor(actions: ChannelActions, token: () => string, ports: PagePorts) {
    this.#actions = actions;
    this.#token = token;
    this.#ports = ports;
    this.element = el('div', { class: 'station' },
      el('header', { class: 'top' }, el('div', { class: 'names' }, this.#station, this.#simulated), el('div', { class: 'states' }, this.#connection, this.scanners.summary)),
      this.#lost, this.#store,
      el('main', {}, this.#channels, this.scanners.element, this.#list.element),
      el('footer', { class: 'bottom' },
        el('details', {}, el('summary', {}, 'Before you apply torque'), el('ul', {}, ...CAUTIONS.map((caution) => el('li', {}, caution)))),
        el('p', { class: 'quiet' }, this.#version)),
      this.#spoken, this.scanners.note);
  }

  /** Read out by screen readers, one line a reading. */
  announce(text: string): void {
    this.#spoken.append(el('p', {}, text));
    while (this.#spoken.childElementCount > 5) this.#spoken.firstElementChild?.remove();
  }

  redraw(): void {
    for (const panel of this.#panels.values()) panel.redraw();
  }

  /** After the connection came back. */
  retry(): void {
    for (const panel of this.#panels.values()) panel.retry();
  }

  update(model: PageModel): void {
    const isConnected = model.connection.kind === 'connected';
    setText(this.#station, model.station || 'torsiond');
    const title = model.station === '' ? 'torsiond' : `${model.station} · live torque`;
    if (document.title !== title) document.title = title;
    setText(this.#version, model.version === '' ? '' : `torsiond ${model.version}`);
    setText(this.#connection, isConnected ? 'Live' : model.connection.kind === 'connecting' ? 'Connecting…' : 'Not live');
    setAttribute(this.#connection, 'data-kind', model.connection.kind);
    const views = [...model.channels.values()];
    const simulated = views.filter((view) => view.instrument?.simulated === true).length;
    setShown(this.#simulated, simulated > 0);
    setText(this.#simulated, simulated === views.length ? 'Simulated: no real torque is measured' : 'Some channels are simulated');
    setShown(this.#lost, model.connection.kind === 'lost');
    if (model.connection.kind === 'lost') setText(this.#lost, `Connection to the station lost. Nothing here is live until it is back; it is tried again by itself. (${model.connection.why})`);
    setShown(this.#store, model.store.state !== 'ready');
    if (model.store.state !== 'ready') {
      setText(this.#store, `${model.store.state === 'full' ? 'The disk is full' : 'The store cannot be written'}: readings are not stored now. ${model.store.detail ?? ''}`);
    }
    this.#placePanels(views.map((view) => view.info.id));
    for (const view of views) this.#panels.get(view.info.id)!.update(view, isConnected, model.scope);
    setShown(this.#none, isConnected && views.length === 0);
    this.scanners.update(model, isConnected);
    this.#list.update(model);
  }

  #placePanels(ids: readonly string[]): void {
    const wanted = new Set(ids);
    for (const [id, panel] of this.#panels) {
      if (wanted.has(id)) continue;
      panel.element.remove();
      this.#panels.delete(id);
    }
    for (const id of ids) {
      if (this.#panels.has(id)) continue;
      const panel = new ChannelPanel(id, this.#actions, this.#token, this.#ports);
      this.#panels.set(id, panel);
      this.#channels.append(panel.element);
    }
    this.#channels.dataset['count'] = String(Math.min(ids.length, 4));
    if (!this.#none.isConnected) this.#channels.append(this.#none);
  }
}
