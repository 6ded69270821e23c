/** The live page: one client, one model, and the elements that show it. */
import { connect, type SerialLike, type TorsiondClient, type UsbLike } from '../../shared/client/index.ts';
import type { Reading } from '../../shared/reading.ts';
import { askForToken, forgetToken, freshToken, knownToken } from './access.ts';
import { el } from './dom.ts';
import type { TorsiondError } from '../../shared/errors.ts';
import { formatTorque, stepIn, unitSymbol } from './format.ts';
import { listenForCodes } from './key-codes.ts';
import { PageModel, READINGS_IN_LIST } from './model.ts';
import { PagePorts } from './page-ports.ts';
import { isPageInstrument } from './port-sources.ts';
import { StationView } from './station-view.ts';
import { onThemeChange } from './theme.ts';
import { SCAN_SCOPE, SCAN_SPOILT, sentence, VERDICT_WORDS } from './words.ts';

const host = document.querySelector<HTMLElement>('#page')!;
const base = new URL('.', document.baseURI);

class LivePage {
  readonly #model = new PageModel();
  readonly #ports: PagePorts;
  readonly #view: StationView;
  #client: TorsiondClient | null = null;
  #token = '';
  #isDue = false;
  #isChecking = false;

  constructor() {
    const client = (): TorsiondClient => this.#client!;
    this.#ports = new PagePorts({
      serial: (navigator as { serial?: SerialLike }).serial ?? null, usb: (navigator as { usb?: UsbLike }).usb ?? null,
      isSecure: window.isSecureContext, url: base.href, storage: keptHere(), onChange: () => this.#render(),
    });
    this.#view = new StationView(
      { arm: (id) => client().arm(id), zero: (id) => client().zero(id), latch: (id) => client().latch(id), checkZero: (id) => client().latch(id, { zeroCheck: true }) },
      () => this.#token,
      this.#ports,
    );
    listenForCodes(window, { code: (code) => void this.#scan(code), spoilt: () => this.#view.scanners.refused(SCAN_SPOILT) });
    onThemeChange(() => {
      this.#view.redraw();
      this.#render();
    });
  }

  begin(token: string, why: string | null = null): void {
    if (token === '') {
      askForToken(host, why, (given) => this.begin(given));
      return;
    }
    let client: TorsiondClient;
    try {
      // Another token goes on with the readings where the one before ended.
      const from = this.#client?.lastSeq ?? null;
      client = connect({ url: new URL('api/v1/stream', base).href, token, liveHz: 15, ...(from === null ? { recent: READINGS_IN_LIST } : { since: from }) });
    } catch {
      forgetToken();
      this.begin('', 'That is no token.');
      return;
    }
    this.#client = client;
    this.#token = token;
    this.#listen(client);
    if (!this.#view.element.isConnected) host.replaceChildren(this.#view.element);
    this.#render();
  }

  #listen(client: TorsiondClient): void {
    const model = this.#model;
    const changes = <Event_>(change: (event: Event_) => void) => (event: Event_): void => {
      change(event);
      this.#render();
    };
    client.on('hello', changes((hello) => model.greet(hello)));
    client.on('connected', changes(() => {
      model.connected();
      const { hello } = client;
      if (model.scope !== 'read') this.#ports.begin((hello?.instruments ?? []).filter(isPageInstrument), this.#token);
      this.#view.retry();
    }));
    client.on('disconnected', changes((lost) => {
      model.disconnected(lost.error.message);
      void this.#checkToken(client);
    }));
    client.on('instrument.state', changes((event) => model.instrument(event.instrument)));
    client.on('scanner.state', changes((event) => model.scanner(event.scanner)));
    client.on('scan.seen', (event) => this.#view.scanners.sawCode(event.code, event.source, model));
    client.on('channel.state', changes((event) => model.channelState(event.channel)));
    client.on('channel.live', changes((event) => model.live(event)));
    client.on('cycle.started', changes((event) => model.cycleStarted(event)));
    client.on('click.detected', changes((event) => model.clicked(event)));
    client.on('cycle.interrupted', changes((event) => model.interrupted(event)));
    client.on('cycle.dismissed', changes((event) => model.dismissed(event)));
    client.on('reading.not-stored', changes((event) => model.notStored(event)));
    client.on('store.state', changes((event) => model.storeState(event)));
    client.on('reading.stored', changes((event) => {
      // What was taken before this page connected is shown, not read out.
      const isNew = event.seq > (client.hello?.lastSeq ?? 0);
      if (model.stored(event.reading) && isNew) this.#view.announce(spoken(event.reading, model));
    }));
  }

  /** A scanner that acts as a keyboard typed it here. What becomes of it is told by `scan.seen`. */
  async #scan(code: string): Promise<void> {
    const { scanners } = this.#view;
    if (this.#model.scope === 'read') {
      scanners.refused(SCAN_SCOPE);
      return;
    }
    try {
      await this.#client?.scan(code);
    } catch (thrown) {
      const { message, hint } = thrown as TorsiondError;
      scanners.refused(`Code ${code} was not passed on. ${sentence(message)} ${hint}`);
    }
  }

  /** A browser does not say why a WebSocket was refused; over HTTP it can be asked. */
  async #checkToken(client: TorsiondClient): Promise<void> {
    if (this.#isChecking) return;
    this.#isChecking = true;
    try {
      if (!(await isTokenRefused(this.#token)) || client !== this.#client) return;
      const fresh = await freshToken(base);
      client.close();
      forgetToken();
      this.begin(fresh === this.#token ? '' : fresh, 'The station does not take this token. It may be mistyped or revoked.');
    } finally {
      this.#isChecking = false;
    }
  }

  #render(): void {
    if (this.#isDue) return;
    this.#isDue = true;
    requestAnimationFrame(() => {
      this.#isDue = false;
      this.#view.update(this.#model);
    });
  }
}

/** Null where a browser lets a page keep nothing. */
function keptHere(): Storage | null {
  try {
    return window.localStorage;
  } catch {
    return null;
  }
}

async function isTokenRefused(token: string): Promise<boolean> {
  try {
    const response = await fetch(new URL('api/v1/station', base), { headers: { authorization: `Bearer ${token}` } });
    return response.status === 401 || response.status === 403;
  } catch {
    return false;
  }
}

/** For those who listen: value, unit, verdict. */
function spoken(reading: Reading, model: PageModel): string {
  const info = model.channels.get(reading.channel)?.info;
  const step = info ? stepIn(reading.unit, info) : 0.01;
  return `${info?.title ?? reading.channel}: ${formatTorque(reading.value, step)} ${unitSymbol(reading.unit)}, ${VERDICT_WORDS[reading.verdict]}`;
}

host.append(el('p', { class: 'quiet opening' }, 'Opening…'));
new LivePage().begin(knownToken());
