import type { TorsiondError } from '../../shared/errors.ts';
import type { HelloMessage } from '../../shared/wire/events.ts';
import { Curve } from './curve.ts';
import { el, onOneLineEach, setAttribute, setShown, setText } from './dom.ts';
import { clockTime, formatTorque, pulseParts, stepIn, unitSymbol } from './format.ts';
import { bandOf } from './limits.ts';
import { figureOf, type ChannelView } from './model.ts';
import type { PagePorts } from './page-ports.ts';
import { PortLine } from './port-line.ts';
import { Reach } from './reach.ts';
import { Strip } from './strip.ts';
import { Trail } from './trail.ts';
import { verdictIcon } from './verdict-mark.ts';
import {
  CHANNEL_WORDS, DIRECTION_WORDS, DISMISS_WORDS, filterText, INSTRUMENT_REASONS, INSTRUMENT_WORDS, INTERRUPT_WORDS, MODE_WORDS, sentence, VERDICT_WORDS,
} from './words.ts';

export interface ChannelActions {
  arm(channel: string): Promise<unknown>;
  zero(channel: string): Promise<unknown>;
  latch(channel: string): Promise<unknown>;
  /** A track reading of the unloaded channel, not judged. */
  checkZero(channel: string): Promise<unknown>;
}

type Deed = keyof ChannelActions;
/** Only track readings are taken by hand. */
const OF_TRACK: ReadonlySet<Deed> = new Set(['latch', 'checkZero']);
const DEEDS: readonly { readonly deed: Deed; readonly word: string; readonly done: string }[] = [
  { deed: 'latch', word: 'Take reading', done: 'Reading taken.' },
  { deed: 'checkZero', word: 'Zero check', done: 'Zero check taken; it is not judged.' },
  { deed: 'arm', word: 'Arm', done: 'Armed.' },
  { deed: 'zero', word: 'Zero', done: 'Zeroed.' },
];

/** Everything of one channel. Elements are made once and only changed where something changed. */
export class ChannelPanel {
  readonly element: HTMLElement;
  readonly #title = el('h2');
  readonly #where = el('span', { class: 'where' });
  readonly #simulated = el('span', { class: 'tag tag-simulated', title: 'No real torque: the samples come from a simulated instrument.' }, 'simulated');
  readonly #state = el('span', { class: 'state' });
  readonly #setup = el('p', { class: 'setup' });
  readonly #trouble = el('div', { class: 'trouble', role: 'status' });
  readonly #liveLabel = el('p', { class: 'label' });
  readonly #number = el('output', { 'class': 'number', 'aria-live': 'off' });
  readonly #under = el('p', { class: 'under' });
  readonly #latest = el('div', { class: 'latest' });
  readonly #reach = new Reach();
  readonly #trail = new Trail();
  readonly #strip = new Strip();
  readonly #curve: Curve;
  readonly #port: PortLine;
  readonly #buttons = new Map<Deed, HTMLButtonElement>();
  readonly #answer = el('p', { class: 'answer', role: 'status' });
  readonly #actions: ChannelActions;
  #channel = '';
  #latestKey = '';
  /** State of the channel that the answer on the screen belongs to. */
  #answeredIn: string | null = null;

  constructor(id: string, actions: ChannelActions, token: () => string, ports: PagePorts) {
    this.#channel = id;
    this.#actions = actions;
    this.#curve = new Curve(token);
    this.#port = new PortLine(ports);
    for (const { deed, word, done } of DEEDS) {
      const button = el('button', { type: 'button', class: deed === 'latch' ? 'main' : 'plain' }, word);
      button.addEventListener('click', () => void this.#do(deed, word, done));
      this.#buttons.set(deed, button);
    }
    const titleId = `channel-${id.replace(/[^a-z0-9-]/gi, '-')}`;
    this.#title.id = titleId;
    this.element = el('article', { 'class': 'channel', 'data-channel': id, 'aria-labelledby': titleId },
      el('header', {},
        el('div', { class: 'names' }, this.#title, el('div', { class: 'marks' }, this.#state, this.#where, this.#simulated)),
        // Nothing beside them changes its width, so that they never move away from under a finger.
        el('div', { class: 'buttons' }, ...this.#buttons.values())),
      this.#setup,
      this.#answer,
      this.#trouble,
      this.#port.element,
      el('div', { class: 'body' },
        el('div', { class: 'figures' },
          el('div', { class: 'now' }, this.#liveLabel, this.#number, this.#under),
          this.#latest),
        el('div', { class: 'range' }, this.#reach.element, this.#strip.element),
        this.#trail.element,
        this.#curve.element));
  }

  redraw(): void {
    this.#strip.redraw();
    this.#curve.redraw();
  }

  /** After the connection came back. */
  retry(): void {
    this.#curve.retry();
  }

  update(view: ChannelView, isConnected: boolean, scope: HelloMessage['scope']): void {
    this.#channel = view.info.id;
    // An answer stays until things move on: the next cycle makes it old.
    if (this.#answeredIn === null) this.#answeredIn = view.info.state;
    else if (this.#answeredIn !== view.info.state) {
      this.#answeredIn = view.info.state;
      if (view.info.state === 'cycle') this.#say('', 'plain');
    }
    this.#updateHead(view, isConnected);
    this.#port.update(view.instrument, view.info.id.endsWith('/1'), isConnected, scope);
    this.#updateFigure(view);
    this.#updateLatest(view);
    this.#reach.update(view);
    this.#trail.update(view);
    this.#strip.update(view);
    this.#curve.update(view);
    for (const [deed, button] of this.#buttons) {
      setShown(button, !OF_TRACK.has(deed) || view.info.settings.mode === 'track');
      button.disabled = !isConnected || scope === 'read';
      setAttribute(button, 'title', scope === 'read' ? 'Your token may only read.' : deed === 'checkZero' ? 'Takes a reading of the unloaded transducer, to see its zero. It is not judged.' : null);
    }
  }

  #updateHead(view: ChannelView, isConnected: boolean): void {
    const { info, instrument } = view;
    setText(this.#title, info.title || info.id);
    setText(this.#where, info.id);
    setShown(this.#simulated, instrument?.simulated === true);
    const isStreaming = instrument?.state === 'streaming';
    const word = !isConnected ? 'Not live' : !instrument || isStreaming ? CHANNEL_WORDS[info.state] : INSTRUMENT_WORDS[instrument.state];
    setText(this.#state, word);
    setAttribute(this.element, 'data-state', !isConnected ? 'away' : isStreaming ? info.state : 'trouble');
    const setup = setupParts(view);
    if (this.#setup.textContent !== setup.join(' · ')) this.#setup.replaceChildren(...onOneLineEach(setup));
    // While it is being connected, that there was no port is over.
    const isOver = instrument?.fault?.code === 'LINK_NOT_FOUND' && ['opening', 'settling', 'identifying'].includes(instrument.state);
    const fault = instrument && !isStreaming && !isOver ? instrument.fault : null;
    const reason = instrument ? INSTRUMENT_REASONS[instrument.state] ?? null : null;
    const hasTrouble = isConnected && instrument !== null && !isStreaming && (fault !== null || reason !== null);
    const isLoaded = isConnected && isStreaming && info.state === 'loaded';
    setShown(this.#trouble, hasTrouble || view.interrupted !== null || isLoaded || info.transducer.overdue);
    const lines: [string, string][] = [];
    if (hasTrouble) lines.push([fault ? sentence(fault.message) : reason!, fault ? `${fault.hint} (${fault.code})` : '']);
    if (isLoaded) lines.push([`Loaded at rest by ${formatTorque(info.loadedBy ?? 0, stepIn(info.settings.unit, info))} ${unitSymbol(info.settings.unit)}.`, 'Unload the transducer and zero it. What is captured from here includes that torque.']);
    if (view.interrupted) {
      const { maximum, unit } = view.interrupted;
      lines.push([`Cycle interrupted: ${INTERRUPT_WORDS[view.interrupted.reason] ?? view.interrupted.reason}.`, `It reached ${formatTorque(maximum, stepIn(unit, info))} ${unitSymbol(unit)} and is not judged.`]);
    }
    if (info.transducer.overdue) lines.push([`Calibration was due on ${info.transducer.calibrationDue ?? 'an earlier day'}.`, 'Every reading is marked until the transducer is calibrated.']);
    const key = JSON.stringify(lines);
    if (this.#trouble.dataset['key'] !== key) {
      this.#trouble.dataset['key'] = key;
      this.#trouble.replaceChildren(...lines.map(([what, hint]) => el('p', {}, el('strong', {}, what), ` ${hint}`)));
    }
  }

  #updateFigure(view: ChannelView): void {
    const { info } = view;
    const step = stepIn(info.settings.unit, info);
    const value = figureOf(view);
    setText(this.#liveLabel, info.state === 'held' && view.readings.length > 0 ? 'held reading' : 'now');
    setText(this.#number, value === null ? '–' : formatTorque(value, step));
    const longest = formatTorque(-info.transducer.capacity, step).length;
    const chars = String(info.settings.direction === 'cw' ? longest - 1 : longest);
    if (this.#number.style.getPropertyValue('--chars') !== chars) this.#number.style.setProperty('--chars', chars);
    this.element.classList.toggle('is-quiet', value === null);
    const turning = value === null || Math.abs(value) < info.transducer.capacity * 0.005 ? '' : value > 0 ? '↻ clockwise' : '↺ counter-clockwise';
    setText(this.#under, [unitSymbol(info.settings.unit), turning, view.click === null ? '' : `click at ${formatTorque(view.click, step)}`, dismissedText(view)].filter((part) => part !== '').join('  ·  '));
  }

  #updateLatest(view: ChannelView): void {
    const reading = view.readings[0];
    const key = reading ? `${reading.id} ${view.info.settings.unit}` : 'none';
    if (key === this.#latestKey) return;
    this.#latestKey = key;
    if (!reading) {
      this.#latest.replaceChildren(el('p', { class: 'label' }, 'last reading'), el('p', { class: 'quiet' }, 'None yet'));
      this.#latest.removeAttribute('data-verdict');
      return;
    }
    const step = stepIn(reading.unit, view.info);
    const highest = reading.pulse || reading.maximum === reading.value ? null : `highest ${formatTorque(reading.maximum, step)}`;
    const click = reading.click === undefined ? null : reading.click ? 'click' : 'no click';
    const pulse = reading.pulse ? pulseParts(reading.pulse, step) : [];
    const check = reading.zeroCheck ? 'zero check' : null;
    const turn = view.info.settings.direction === 'both' ? DIRECTION_WORDS[reading.direction] : null;
    const filtered = reading.cutoffHz === null ? null : `after a ${reading.cutoffHz} Hz low-pass`;
    setAttribute(this.#latest, 'data-verdict', reading.verdict);
    this.#latest.replaceChildren(
      el('p', { class: 'label' }, `last reading, ${clockTime(reading.startedAt)}`),
      el('p', { class: 'latest-value' }, formatTorque(reading.value, step), el('span', { class: 'unit' }, ` ${unitSymbol(reading.unit)}`)),
      el('p', { class: 'verdict' }, verdictIcon(reading.verdict), el('span', {}, VERDICT_WORDS[reading.verdict])),
      el('p', { class: 'detail' }, ...onOneLineEach([check, click, ...pulse, highest, turn, filtered].filter((part) => part !== null))));
  }

  async #do(deed: Deed, word: string, done: string): Promise<void> {
    const button = this.#buttons.get(deed)!;
    this.#say('', 'plain');
    button.setAttribute('aria-busy', 'true');
    try {
      await this.#actions[deed](this.#channel);
      this.#say(done, 'plain');
    } catch (thrown) {
      const { message, hint } = thrown as TorsiondError;
      this.#say(`${word}: not done. ${sentence(message)} ${hint}`, 'refused');
    } finally {
      button.removeAttribute('aria-busy');
    }
  }

  #say(text: string, tone: 'plain' | 'refused'): void {
    this.#answer.textContent = text;
    this.#answer.dataset['tone'] = tone;
  }
}

/** In the unit that it was told in, which is named where it is no more that of the channel. */
function dismissedText({ dismissed, info }: ChannelView): string {
  if (dismissed === null) return '';
  const { maximum, unit, reason } = dismissed;
  return `no reading at ${formatTorque(maximum, stepIn(unit, info))}${unit === info.settings.unit ? '' : ` ${unitSymbol(unit)}`}: ${DISMISS_WORDS[reason] ?? reason}`;
}

/** Each stays on one line. */
function setupParts(view: ChannelView): readonly string[] {
  const { settings, transducer } = view.info;
  const step = stepIn(settings.unit, { transducer, settings });
  const unit = unitSymbol(settings.unit);
  const band = bandOf(settings.limits);
  return [
    MODE_WORDS[settings.mode],
    settings.direction === 'both' ? null : `${DIRECTION_WORDS[settings.direction]} only`,
    filterText(settings.filter),
    band ? `target ${formatTorque(band.target, step)} (${formatTorque(band.low, step)} to ${formatTorque(band.high, step)}) ${unit}` : 'no limits',
    `transducer ${transducer.serialNumber}`,
  ].filter((part) => part !== null);
}
