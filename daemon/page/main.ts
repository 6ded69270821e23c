/** The live page: one client, one model, and the elements that show it. */
import { connect, type TorsiondClient } from '../../shared/client/index.ts';
import type { Reading } from '../../shared/reading.ts';
import { askForToken, forgetToken, knownToken } from './access.ts';
import { el } from './dom.ts';
import { displayStep, formatTorque, unitSymbol } from './format.ts';
import { PageModel, READINGS_IN_LIST } from './model.ts';
import { StationView } from './station-view.ts';
import { onThemeChange } from './theme.ts';
import { VERDICT_WORDS } from './words.ts';

const host = document.querySelector<HTMLElement>('#page')!;
const base = new URL('.', document.baseURI);

/** Told apart only over HTTP: a browser does not say why a WebSocket was refused. */
async function isTokenRefused(token: string): Promise<boolean> {
  try {
    const response = await fetch(new URL('api/v1/station', base), { headers: token === '' ? {} : { authorization: `Bearer ${token}` } });
    return response.status === 401 || response.status === 403;
  } catch {
    return false;
  }
}

function begin(token: string, why: string | null = null): void {
  if (token === '') {
    askForToken(host, why, (given) => begin(given));
    return;
  }
  let client: TorsiondClient;
  try {
    client = connect({ url: new URL('api/v1/stream', base).href, token, recent: READINGS_IN_LIST, liveHz: 15 });
  } catch {
    forgetToken();
    begin('', 'That is no token.');
    return;
  }
  const model = new PageModel();
  const view = new StationView({ arm: (id) => client.arm(id), zero: (id) => client.zero(id), latch: (id) => client.latch(id) }, () => token);
  host.replaceChildren(view.element);
  let isDue = false;
  const render = (): void => {
    if (isDue) return;
    isDue = true;
    requestAnimationFrame(() => {
      isDue = false;
      view.update(model);
    });
  };
  listen(client, model, view, render);
  client.on('disconnected', () => {
    void isTokenRefused(token).then((isRefused) => {
      if (!isRefused) return;
      client.close();
      forgetToken();
      begin('', 'The station does not take this token. It may be revoked, or the station was started anew: then load the page again.');
    });
  });
  onThemeChange(() => {
    view.redraw();
    render();
  });
  render();
}

function listen(client: TorsiondClient, model: PageModel, view: StationView, render: () => void): void {
  const changes = <Event_>(change: (event: Event_) => void) => (event: Event_): void => {
    change(event);
    render();
  };
  client.on('hello', changes((hello) => model.greet(hello)));
  client.on('connected', changes(() => {
    model.connected();
    view.retry();
  }));
  client.on('disconnected', changes((lost) => model.disconnected(lost.error.message)));
  client.on('instrument.state', changes((event) => model.instrument(event.instrument)));
  client.on('channel.state', changes((event) => model.channelState(event.channel)));
  client.on('channel.live', changes((event) => model.live(event)));
  client.on('cycle.started', changes((event) => model.cycleStarted(event)));
  client.on('click.detected', changes((event) => model.clicked(event)));
  client.on('cycle.interrupted', changes((event) => model.interrupted(event)));
  client.on('reading.not-stored', changes((event) => model.notStored(event)));
  client.on('store.state', changes((event) => model.storeState(event)));
  client.on('reading.stored', changes((event) => {
    // What was taken before this page connected is shown, not read out.
    const isNew = event.seq > (client.hello?.lastSeq ?? 0);
    if (model.stored(event.reading) && isNew) view.announce(spoken(event.reading, model));
  }));
}

/** For those who listen: value, unit, verdict. */
function spoken(reading: Reading, model: PageModel): string {
  const info = model.channels.get(reading.channel)?.info;
  const step = info ? displayStep(info.transducer.resolution, info.transducer.capacity) : 0.01;
  return `${info?.title ?? reading.channel}: ${formatTorque(reading.value, step)} ${unitSymbol(reading.unit)}, ${VERDICT_WORDS[reading.verdict]}`;
}

host.append(el('p', { class: 'quiet opening' }, 'Opening…'));
begin(knownToken());
