/** Runs one instrument: does what `instrument-machine.ts` says, with the real link, driver, timers and port. */
import { BehaviorSubject, Subject } from 'rxjs';
import type { DriverDefinition, DriverEvent, InstrumentCommand, InstrumentIdentity } from '../../drivers/api.ts';
import type { AskNote, ByteLink } from '../../drivers/links/link.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import { SampleSource, channelId, isSaidByDevice, type SampleSourceState } from '../pipeline/sample-source.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import { pageUsbDevice } from './browser-ports.ts';
import { Connection, endFault } from './connection.ts';
import { fillFromDevice } from './data-sheets.ts';
import { identityFault } from './identity-guard.ts';
import { InstrumentCounters } from './instrument-counters.ts';
import { INITIAL_STATE, stepMachine } from './instrument-machine.ts';
import type { MachineEffect, MachineInput, MachineRules, MachineState, TimerName } from './instrument-machine.ts';
import type { Instrument, InstrumentDeps, InstrumentGap } from './instrument.ts';
import { watchPort, type PortWatcher } from './port-watcher.ts';
import { declaredRates, readDriverSettings } from './driver-settings.ts';
import { linkPlace } from './link-place.ts';
import { machineRules } from './machine-rules.ts';
import { NamedTimers } from './named-timers.ts';
import { within } from './within.ts';

/** Pace of looking for the port while it is not open, and while it is. */
const LOOK_MS = 250;
const LOOK_WHILE_OPEN_MS = 1_000;
/** Driver events kept while the instrument identifies itself; the oldest go first, counted. */
const MAX_HELD_EVENTS = 4_096;
const COMMAND_LIMIT_MS = 5_000;
/** A silence timer this late says that the process slept; what waits to be read then gets so long to arrive. */
const LATE_TIMER_MS = 50;
const CATCH_UP_MS = 250;

export function createInstrument(settings: InstrumentSettings, deps: InstrumentDeps): Instrument {
  return new InstrumentRunner(settings, deps);
}

class InstrumentRunner implements Instrument {
  readonly id: string;
  settings: InstrumentSettings;
  readonly channels: readonly string[];
  readonly info$;
  readonly blocks$;
  readonly gaps$;
  readonly #infos: BehaviorSubject<InstrumentInfo>;
  readonly #blocks = new Subject<DeviceBlock>();
  readonly #gaps = new Subject<InstrumentGap>();
  /** As the settings file has them. */
  readonly #given: InstrumentSettings;
  readonly #deps: InstrumentDeps;
  readonly #rules: MachineRules;
  readonly #driver: DriverDefinition | null;
  readonly #driverOptions: unknown;
  readonly #ratesHz: readonly (number | null)[];
  readonly #counters: InstrumentCounters;
  #state: MachineState = INITIAL_STATE;
  #sinceMs: number;
  readonly #inputs: MachineInput[] = [];
  #isRunning = false;
  readonly #timers: NamedTimers<TimerName>;
  #watcher: PortWatcher | null = null;
  #abort: AbortController | null = null;
  #connection: Connection | null = null;
  #source: SampleSource | null = null;
  #identity: InstrumentIdentity | null = null;
  #label: string;
  /** Events before the instrument was identified; null once samples count. */
  #held: DriverEvent[] | null = null;
  #lastSampleMs: number | null = null;
  #lastActivityMs = 0;
  /** What the driver complained of since the last usable sample. */
  #complaint: TorsiondError | null = null;
  #rateFault: TorsiondError | null = null;
  /** What the device has been saying in place of values, for longer than a silence may be. */
  #valueFault: TorsiondError | null = null;
  /** What of a data sheet was not decoded. */
  #sheetRemark: TorsiondError | null = null;
  #streamingSinceMs = 0;
  readonly #stopWaiters: (() => void)[] = [];

  constructor(settings: InstrumentSettings, deps: InstrumentDeps) {
    this.id = settings.id;
    this.settings = settings;
    this.#given = settings;
    this.channels = settings.channels.map((_, i) => channelId(settings.id, i));
    this.#deps = deps;
    this.#timers = new NamedTimers(deps.clock);
    this.#label = linkPlace(settings);
    const driver = readDriverSettings(settings, deps.driver);
    this.#driver = deps.driver instanceof TorsiondError ? null : deps.driver;
    this.#driverOptions = driver.options;
    this.#ratesHz = declaredRates(settings, driver.fault === null ? this.#driver : null, driver.options);
    this.#rules = machineRules(settings, driver.fault, deps.portStamp !== undefined);
    this.#counters = new InstrumentCounters(settings.id);
    this.#sinceMs = deps.clock.wallMs();
    this.#infos = new BehaviorSubject(this.info());
    this.info$ = this.#infos.asObservable();
    this.blocks$ = this.#blocks.asObservable();
    this.gaps$ = this.#gaps.asObservable();
  }

  info(): InstrumentInfo {
    const { name, epoch, fault } = this.#state;
    const device = pageUsbDevice(this.settings.link);
    return {
      id: this.id,
      title: this.settings.title ?? this.id,
      state: name,
      since: new Date(this.#sinceMs).toISOString(),
      fault: (fault ?? this.#valueFault ?? this.#rateFault ?? this.#sheetRemark)?.toJSON() ?? null,
      link: this.#label,
      linkKind: this.settings.link.kind,
      ...(device === null ? {} : { pageUsb: device }),
      driver: this.settings.driver.id,
      epoch,
      identity: this.#identity,
      simulated: this.settings.simulated,
    };
  }

  sampleRateHz(channel: number): number | null {
    return this.#source?.rateHz(channel) ?? this.#ratesHz[channel] ?? null;
  }

  sampleState(): SampleSourceState | null {
    return this.#state.name === 'streaming' || this.#state.name === 'stalled' ? (this.#source?.snapshot() ?? null) : null;
  }

  async command(command: InstrumentCommand): Promise<void> {
    const connection = this.#connection;
    if (this.#state.name !== 'streaming' || connection === null) {
      throw new TorsiondError('CHANNEL_NOT_READY', `the instrument is ${this.#state.name}`, { where: this.id });
    }
    if (!this.#driver!.capabilities.commands.includes(command.kind)) {
      throw new TorsiondError('COMMAND_UNSUPPORTED', `the driver ${this.settings.driver.id} does not take "${command.kind}"`, { where: this.id });
    }
    const done = connection.command(command);
    done.catch((thrown: unknown) => this.#tellDriverFailure(asTorsiondError(thrown)));
    if (!(await within(done, COMMAND_LIMIT_MS, this.#deps.clock))) {
      throw new TorsiondError('DEVICE_TIMEOUT', `"${command.kind}" was not done within ${COMMAND_LIMIT_MS} ms`, { where: this.id });
    }
    await done;
  }

  retry(): void {
    this.#dispatch({ kind: 'retry' });
  }

  start(): void {
    this.#watcher ??= this.#watch();
    this.#dispatch({ kind: 'start' });
  }

  async stop(): Promise<void> {
    this.#watcher?.stop();
    this.#watcher = null;
    this.#dispatch({ kind: 'stop' });
    if (this.#state.link === 'none') return;
    await new Promise<void>((resolve) => this.#stopWaiters.push(resolve));
  }

  counters(): ReadonlyMap<string, number> {
    return this.#counters.snapshot(this.#connection?.counters() ?? null, this.#source?.counters() ?? null);
  }

  #watch(): PortWatcher | null {
    if (!this.#rules.hasPortList) return null;
    const { portStamp, portExists, clock } = this.#deps;
    return watchPort({
      clock,
      everyMs: LOOK_MS,
      look: portStamp ?? (async () => ((await portExists()) ? 'present' : null)),
      onEvent: (event) => this.#dispatch({ kind: 'port', ...event }),
    });
  }

  /** Inputs are taken one after another, also those that effects cause. */
  #dispatch(input: MachineInput): void {
    this.#inputs.push(input);
    if (this.#isRunning) return;
    this.#isRunning = true;
    try {
      for (let next = this.#inputs.shift(); next !== undefined; next = this.#inputs.shift()) this.#step(next);
    } finally {
      this.#isRunning = false;
    }
  }

  #step(input: MachineInput): void {
    const before = this.#state;
    const { state, effects } = stepMachine(before, input, this.#rules);
    this.#state = state;
    if (state.epoch !== before.epoch) this.#counters.connections += 1;
    if (state.fault !== before.fault) this.#tellDriverFailure(state.fault);
    if (state.name !== before.name) this.#sinceMs = this.#deps.clock.wallMs();
    if (state.name !== before.name || state.fault !== before.fault || state.epoch !== before.epoch) this.#infos.next(this.info());
    for (const effect of effects) this.#do(effect);
    if (state.link === 'none') for (const resolve of this.#stopWaiters.splice(0)) resolve();
    this.#watcher?.setPace(state.link === 'open' ? LOOK_WHILE_OPEN_MS : LOOK_MS);
  }

  #tellDriverFailure(error: TorsiondError | null): void {
    if (error?.code === 'DRIVER_FAILED') this.#deps.onDriverFailed?.(error);
  }

  #do(effect: MachineEffect): void {
    switch (effect.kind) {
      case 'open-link':
        return void this.#open(effect.connection);
      case 'close-link':
        return void this.#close(effect.connection);
      case 'abandon-link':
        this.#counters.abandoned += 1;
        return this.#letGo();
      case 'start-driver':
        return void this.#identify(effect.connection, effect.attempt);
      case 'stream':
        return this.#stream();
      case 'start-timer':
        return this.#startTimer(effect.timer, effect.afterMs * (1 + effect.jitter * (2 * this.#deps.random() - 1)));
      case 'cancel-timer':
        return this.#timers.cancel(effect.timer);
      case 'announce-gap':
        return this.#announceGap(effect.reason);
    }
  }

  #announceGap(reason: InstrumentGap['reason']): void {
    for (const block of this.#source?.end() ?? []) this.#blocks.next(block);
    this.#gaps.next({ instrument: this.id, epoch: this.#state.epoch, reason, lastSampleMs: this.#lastSampleMs, atMs: this.#deps.clock.monoMs() });
  }

  async #open(connection: number): Promise<void> {
    const abort = new AbortController();
    this.#abort = abort;
    let link: ByteLink;
    try {
      link = await this.#deps.openLink({ clock: this.#deps.clock, signal: abort.signal });
    } catch (thrown) {
      return this.#dispatch({ kind: 'open-failed', connection, error: asTorsiondError(thrown, 'LINK_OPEN_FAILED') });
    }
    if (abort.signal.aborted) {
      await link.close().catch(() => {});
      return this.#dispatch({ kind: 'link-closed', connection });
    }
    const epoch = this.#state.epoch + 1;
    this.#prepare(link, connection, epoch);
    this.#dispatch({ kind: 'opened', connection });
    this.#dispatch({ kind: 'link-ended', connection, error: endFault(await link.ended, link.label) });
  }

  #prepare(link: ByteLink, connection: number, epoch: number): void {
    this.#label = link.label;
    this.#identity = null;
    this.settings = this.#given;
    this.#sheetRemark = null;
    this.#rateFault = null;
    this.#valueFault = null;
    this.#complaint = null;
    this.#lastSampleMs = null;
    this.#held = [];
    this.#source = new SampleSource({
      instrument: this.id, epoch, silenceMs: this.settings.silenceMs,
      ratesHz: this.#ratesHz,
    });
    const { onChunk, onNote } = this.#deps;
    this.#connection = new Connection({
      link, clock: this.#deps.clock, driver: this.#driver!, driverOptions: this.#driverOptions,
      channels: this.settings.channels,
      onSettling: () => this.#dispatch({ kind: 'bytes', connection }),
      onChunk: ({ data, atMs }) => this.#tap(() => onChunk?.({ data: data.slice(), atMs }, epoch)),
      ...(onNote ? { onNote: (note: AskNote) => this.#tap(() => onNote(note, epoch)) } : {}),
      onEvent: (event) => this.#take(event, connection),
      onBroken: (error) => this.#dispatch({ kind: 'driver-failed', connection, error }),
    });
  }

  async #close(connection: number): Promise<void> {
    this.#abort?.abort();
    const open = this.#connection;
    // Not open yet: whoever opens it sees the signal, closes and says so.
    if (open === null) return;
    await open.close();
    if (this.#connection === open) this.#letGo();
    this.#dispatch({ kind: 'link-closed', connection });
  }

  #letGo(): void {
    this.#counters.add(this.#connection?.counters() ?? null, this.#source?.counters() ?? null);
    this.#connection = null;
    this.#source = null;
    this.#held = null;
    this.#rateFault = null;
    this.#valueFault = null;
  }

  async #identify(connection: number, attempt: number): Promise<void> {
    const open = this.#connection;
    if (open === null) return;
    // A later attempt, or the end of the connection, makes this answer worthless.
    const isCurrent = (): boolean => this.#connection === open && this.#state.connection === connection && this.#state.tries === attempt;
    try {
      const identity = await open.startSession();
      if (!isCurrent()) return;
      this.#identity = identity;
      const mismatch = identityFault(this.settings.identity, identity, this.#label);
      if (mismatch !== null) throw mismatch;
      const { settings, remark } = fillFromDevice(this.#given, open.dataSheets(), this.#label);
      this.settings = settings;
      this.#sheetRemark = remark;
      this.#dispatch({ kind: 'identified', connection });
    } catch (thrown) {
      if (isCurrent()) this.#dispatch({ kind: 'identify-failed', connection, error: asTorsiondError(thrown, 'DRIVER_FAILED') });
    }
  }

  #stream(): void {
    const held = this.#held ?? [];
    this.#held = null;
    this.#lastActivityMs = this.#deps.clock.monoMs();
    this.#streamingSinceMs = this.#lastActivityMs;
    for (const event of held) this.#count(event);
  }

  #take(event: DriverEvent, connection: number): void {
    if (this.#state.connection !== connection || this.#state.link !== 'open') return;
    if (this.#held !== null) {
      this.#held.push(event);
      if (this.#held.length > MAX_HELD_EVENTS) {
        this.#held.shift();
        this.#counters.heldDropped += 1;
      }
      return;
    }
    if (event.kind === 'values' || (event.missing > 0 && isSaidByDevice(event.error.code))) {
      this.#lastActivityMs = this.#deps.clock.monoMs();
      if (this.#state.name === 'stalled') this.#dispatch({ kind: 'sample', connection });
    }
    this.#count(event);
  }

  #count(event: DriverEvent): void {
    const source = this.#source;
    if (source === null) return;
    if (event.kind === 'values') {
      this.#lastSampleMs = event.atMs;
      this.#complaint = null;
      this.#showValueFault(null);
    } else {
      this.#complaint = event.error;
      const valuelessMs = event.atMs - (this.#lastSampleMs ?? this.#streamingSinceMs);
      if (event.missing > 0 && isSaidByDevice(event.error.code) && valuelessMs > source.silenceLimitMs) this.#showValueFault(event.error);
    }
    for (const block of source.step(event)) this.#blocks.next(block);
    const rateFault = source.rateFault();
    if ((rateFault === null) === (this.#rateFault === null)) return;
    this.#rateFault = rateFault;
    this.#infos.next(this.info());
  }

  /** A device that only ever reports overload is alive, and yet nothing can be measured: as with silence, values are over. */
  #showValueFault(fault: TorsiondError | null): void {
    if ((fault === null) === (this.#valueFault === null)) return;
    this.#valueFault = fault;
    this.#infos.next(this.info());
    if (fault !== null) this.#announceGap('silence');
  }

  /** What listens beside must not disturb the instrument. */
  #tap(tell: () => void): void {
    if (this.#deps.isTapped?.() === false) return;
    try {
      tell();
    } catch {
      this.#counters.tapFailures += 1;
    }
  }

  #startTimer(name: TimerName, afterMs: number): void {
    this.#timers.start(name, afterMs, (dueMs) => {
      if (name === 'silence') this.#checkSilence(dueMs);
      else this.#dispatch({ kind: 'timer', timer: name });
    });
  }

  /** One timer watches for silence however many samples come: it looks when it is due and sets itself again. */
  #checkSilence(dueMs: number): void {
    const nowMs = this.#deps.clock.monoMs();
    const limitMs = this.#source?.silenceLimitMs ?? this.settings.silenceMs;
    const restMs = this.#lastActivityMs + limitMs - nowMs;
    if (restMs > 0) return this.#startTimer('silence', restMs);
    if (nowMs - dueMs > LATE_TIMER_MS) return this.#startTimer('silence', CATCH_UP_MS);
    const stalled = new TorsiondError('LINK_STALLED', `no sample for ${limitMs} ms`, { where: this.#label });
    this.#dispatch({ kind: 'silent', connection: this.#state.connection, error: this.#complaint ?? stalled });
  }
}
