/** Scanners and switch boxes of the station: each is opened, listened to, and opened again when it is lost, for ever. */
import type { ByteLink, OpenLink } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import { asTorsiondError, type TorsiondError } from '../../shared/errors.ts';
import type { ScannerInfo, ScannerState } from '../../shared/wire/events.ts';
import { linkPlace } from '../devices/link-place.ts';
import type { Log } from '../log.ts';
import type { LinkSettings, ScannerSettings } from '../settings/schema.ts';
import { CodeLines, type CodeLineCounters } from './code-lines.ts';

const BACK_OFF_MS = 500;
const MAX_BACK_OFF_MS = 5_000;
/** Only what stayed connected for so long is tried again soon: a server that hangs up at once would fill the log. */
const STEADY_MS = 5_000;

export type SwitchCommand = ScannerSettings['switches'][number];

export interface ScannerListener {
  code(code: string, scanner: string): void;
  /** The text of a switch came. */
  pressed(command: SwitchCommand, scanner: string): void;
  /** Connected, or not, or for another reason than before. */
  changed(info: ScannerInfo): void;
}

export interface ScannerSetDeps {
  readonly clock: Clock;
  readonly openLink: (link: LinkSettings) => OpenLink;
  readonly log: Log;
}

export interface ScannerSet {
  /** Opens those that are enabled. */
  start(listener: ScannerListener): void;
  /** Resolves when every port is let go. Idempotent. */
  stop(): Promise<void>;
  /** In the order of the settings, with those that are not enabled. */
  infos(): readonly ScannerInfo[];
  counters(): ReadonlyMap<string, number>;
}

export function createScannerSet(settings: readonly ScannerSettings[], deps: ScannerSetDeps): ScannerSet {
  const scanners = settings.map((entry) => new Scanner(entry, deps));
  return {
    start: (listener) => scanners.forEach((scanner) => scanner.start(listener)),
    stop: async () => void (await Promise.all(scanners.map((scanner) => scanner.stop()))),
    infos: () => scanners.map((scanner) => scanner.info()),
    counters: () => new Map(scanners.flatMap((scanner) => scanner.counters())),
  };
}

class Scanner {
  readonly #settings: ScannerSettings;
  readonly #deps: ScannerSetDeps;
  readonly #stop = new AbortController();
  #running: Promise<void> = Promise.resolve();
  #link: ByteLink | null = null;
  #past: CodeLineCounters = { codes: 0, repeats: 0, refused: 0 };
  #lines: CodeLines | null = null;
  #state: ScannerState = 'stopped';
  #sinceMs: number;
  #connectedMs = 0;
  /** Why it is not connected; told once per kind: an absent scanner is tried for ever. */
  #fault: TorsiondError | null = null;

  constructor(settings: ScannerSettings, deps: ScannerSetDeps) {
    this.#settings = settings;
    this.#deps = deps;
    this.#sinceMs = deps.clock.wallMs();
  }

  start(listener: ScannerListener): void {
    if (!this.#settings.enabled) return;
    this.#change('opening', null, listener);
    this.#running = this.#run(listener);
  }

  async stop(): Promise<void> {
    this.#stop.abort();
    await this.#link?.close();
    await this.#running;
  }

  info(): ScannerInfo {
    const { id, title, link } = this.#settings;
    return {
      id, title: title ?? id, state: this.#state, since: new Date(this.#sinceMs).toISOString(), fault: this.#fault?.toJSON() ?? null, link: linkPlace({ id, link }),
    };
  }

  counters(): readonly (readonly [string, number])[] {
    if (!this.#settings.enabled) return [];
    const now = this.#lines?.counters;
    const label = `{scanner="${this.#settings.id}"}`;
    return [
      [`torsiond_scanner_connected${label}`, this.#link === null ? 0 : 1],
      [`torsiond_scanner_codes_total${label}`, this.#past.codes + (now?.codes ?? 0)],
      [`torsiond_scanner_repeats_total${label}`, this.#past.repeats + (now?.repeats ?? 0)],
      [`torsiond_scanner_refused_total${label}`, this.#past.refused + (now?.refused ?? 0)],
    ];
  }

  async #run(listener: ScannerListener): Promise<void> {
    let waitMs = BACK_OFF_MS;
    while (!this.#stop.signal.aborted) {
      try {
        await this.#serve(listener);
      } catch (thrown) {
        if (this.#state === 'connected' && this.#deps.clock.monoMs() - this.#connectedMs >= STEADY_MS) waitMs = BACK_OFF_MS;
        this.#lost(asTorsiondError(thrown, 'LINK_OPEN_FAILED'), listener);
        await this.#wait(waitMs);
        waitMs = Math.min(2 * waitMs, MAX_BACK_OFF_MS);
      }
    }
    this.#change('stopped', null, listener);
  }

  /** From open to lost. @throws TorsiondError when it does not open, or was lost */
  async #serve(listener: ScannerListener): Promise<void> {
    const { clock, openLink, log } = this.#deps;
    const { id, switches } = this.#settings;
    const link = await openLink(this.#settings.link)({ clock, signal: this.#stop.signal });
    this.#link = link;
    this.#connectedMs = clock.monoMs();
    const lines = new CodeLines(this.#settings, this.#connectedMs, (text) => {
      const pressed = switches.find((entry) => entry.text === text);
      if (pressed) listener.pressed(pressed, id);
      else listener.code(text, id);
    });
    this.#lines = lines;
    link.listen((chunk) => lines.push(chunk));
    log.info({ scanner: id, link: link.label }, 'scanner is connected');
    this.#change('connected', null, listener);
    const end = await link.ended;
    const { codes, repeats, refused } = lines.counters;
    this.#past = { codes: this.#past.codes + codes, repeats: this.#past.repeats + repeats, refused: this.#past.refused + refused };
    this.#lines = null;
    await link.close();
    this.#link = null;
    if (end.reason === 'lost') throw end.error;
  }

  #lost(error: TorsiondError, listener: ScannerListener): void {
    if (this.#stop.signal.aborted) return;
    if (this.#state === 'waiting' && this.#fault?.code === error.code) return;
    this.#deps.log.warn({ scanner: this.#settings.id, code: error.code, fault: error.message }, 'scanner is not connected');
    this.#change('waiting', error, listener);
  }

  #change(state: ScannerState, fault: TorsiondError | null, listener: ScannerListener): void {
    if (state !== this.#state) this.#sinceMs = this.#deps.clock.wallMs();
    this.#state = state;
    this.#fault = fault;
    listener.changed(this.info());
  }

  #wait(ms: number): Promise<void> {
    const { signal } = this.#stop;
    return new Promise((resolve) => {
      if (signal.aborted) return resolve();
      const done = (): void => {
        cancel();
        signal.removeEventListener('abort', done);
        resolve();
      };
      const cancel = this.#deps.clock.after(ms, done);
      signal.addEventListener('abort', done);
    });
  }
}
