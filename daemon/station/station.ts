/**
 * The running station: instruments feed channels, channels give readings, the keeper stores them, and everything
 * that happens is said once in `events$`. Implements what the server needs (`server/gateway.ts`).
 */
import { Subject, type Observable } from 'rxjs';
import type { Clock } from '../../shared/clock.ts';
import { asTorsiondError, TorsiondError } from '../../shared/errors.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { ChannelCommand } from '../../shared/wire/commands.ts';
import type { ChannelInfo, GatewayEvent, InstrumentInfo, ScannerInfo } from '../../shared/wire/events.ts';
import { convertTorque } from '../../shared/units.ts';
import type { Instrument } from '../devices/instrument.ts';
import type { InstrumentSet } from '../devices/instrument-set.ts';
import { BrowserPorts } from '../devices/browser-ports.ts';
import type { Log } from '../log.ts';
import type { Outcome } from '../pipeline/channel-pipeline.ts';
import { WallTime } from '../pipeline/wall-time.ts';
import type { ByteSink } from '../recording/byte-sink.ts';
import type { RecordingHub, RecordingSource, RecordOptions, RunningRecording } from '../recording/recording-hub.ts';
import type { RecordedMark } from '../recording/recording-format.ts';
import type { ScannerSet } from '../scanners/scanner-set.ts';
import type { Gateway } from '../server/gateway.ts';
import type { Settings } from '../settings/schema.ts';
import type { ReadingStore } from '../storage/store.ts';
import { zeroDevice } from './device-zero.ts';
import { LiveChannel } from './live-channel.ts';
import { ReadingKeeper } from './reading-keeper.ts';

export interface StationDeps {
  readonly settings: Settings;
  readonly instruments: InstrumentSet;
  readonly store: ReadingStore;
  readonly clock: Clock;
  readonly log: Log;
  readonly version: string;
  /** Left out: nothing can be recorded. */
  readonly recordings?: RecordingHub;
  readonly scanners?: ScannerSet;
  /** Left out: no page can bring a port. */
  readonly ports?: BrowserPorts;
}

/** How long a stop waits for the store, ms. */
const DRAIN_MS = 2_000;
/** How often the two clocks are compared, ms. */
const CLOCK_LOOK_MS = 1_000;

export class Station implements Gateway {
  readonly station: string;
  readonly version: string;
  readonly store: ReadingStore;
  readonly ports: BrowserPorts;
  readonly events$: Observable<GatewayEvent>;
  readonly samples$: Observable<SampleBlock>;
  readonly #deps: StationDeps;
  readonly #events$ = new Subject<GatewayEvent>();
  readonly #samples$ = new Subject<SampleBlock>();
  readonly #channels = new Map<string, LiveChannel>();
  readonly #keeper: ReadingKeeper;
  readonly #wall: WallTime;
  #cancelLook: () => void = () => {};

  constructor(deps: StationDeps) {
    this.#deps = deps;
    this.station = deps.settings.station;
    this.version = deps.version;
    this.store = deps.store;
    this.ports = deps.ports ?? new BrowserPorts([], deps.clock);
    this.events$ = this.#events$.asObservable();
    this.samples$ = this.#samples$.asObservable();
    this.#wall = new WallTime(
      deps.clock, (jump) => deps.log.warn({ byMs: Math.round(jump.byMs) }, 'the wall clock jumped'),
      (change) => deps.recordings?.mark(null, { kind: 'wall', ...change }),
    );
    this.#keeper = new ReadingKeeper({ store: deps.store, clock: deps.clock, announce: (event) => this.#say(event) });
    this.#buildChannels();

    const { instruments } = deps;
    for (const instrument of instruments.instruments) deps.recordings?.watch(instrument.id, this.#recordingSource(instrument));
    instruments.blocks$.subscribe((block) => this.#channels.get(block.channel)?.push(block));
    instruments.gaps$.subscribe((gap) => {
      deps.recordings?.mark(gap.instrument, { kind: 'gap', instrument: gap.instrument, reason: gap.reason });
      for (const id of instruments.get(gap.instrument)?.channels ?? []) this.#interrupt(id, gap.reason === 'stopped' ? 'stopped' : 'gap');
    });
    instruments.info$.subscribe((instrument) => {
      deps.log.info({ instrument: instrument.id, state: instrument.state, ...(instrument.fault ? { code: instrument.fault.code, fault: instrument.fault.message } : {}) }, 'instrument');
      if (instrument.state === 'streaming') this.#useTransducers(instrument.id);
      this.#say({ type: 'instrument.state', at: this.#now(), instrument });
    });
  }

  start(): void {
    this.#deps.instruments.start();
    this.#deps.scanners?.start({
      changed: (scanner) => this.#say({ type: 'scanner.state', at: this.#now(), scanner }),
      code: (code, scanner) => this.scan(code, `scanner:${scanner}`),
      pressed: ({ command, channel }, scanner) => {
        this.command({ type: command, id: `scanner:${scanner}`, channel }).catch((thrown: unknown) => {
          const { code, message } = asTorsiondError(thrown);
          this.#deps.log.warn({ scanner, channel, code, fault: message }, 'the command of a switch was refused');
        });
      },
    });
    this.#lookAtClocks();
  }

  /** Instruments first, so that no reading comes after; then what still waits for the store. */
  async stop(): Promise<void> {
    this.#cancelLook();
    await this.#deps.scanners?.stop();
    await this.#deps.instruments.stop();
    await this.#deps.recordings?.close();
    const left = await this.#keeper.drain(DRAIN_MS);
    if (left > 0) this.#deps.log.error({ readings: left }, 'readings could not be stored before the stop');
  }

  instruments(): readonly InstrumentInfo[] {
    return this.#deps.instruments.instruments.map((instrument) => instrument.info());
  }

  channels(): readonly ChannelInfo[] {
    return [...this.#channels.values()].map((channel) => channel.info());
  }

  scanners(): readonly ScannerInfo[] {
    return this.#deps.scanners?.infos() ?? [];
  }

  liveTorque(channel: string): number | null {
    return this.#channels.get(channel)?.liveTorque ?? null;
  }

  toWallMs(monoMs: number): number {
    return this.#wall.toWallMs(monoMs);
  }

  async command(command: ChannelCommand): Promise<unknown> {
    const channel = this.#channels.get(command.channel);
    if (!channel) {
      throw new TorsiondError('CHANNEL_UNKNOWN', `there is no channel "${command.channel}"; known are ${[...this.#channels.keys()].join(', ') || 'none'}`);
    }
    if (command.type === 'zero') return channel.zeroesDevice ? this.#zeroDevice(channel, command) : this.#zero(channel, command);
    const result = await channel.command(command);
    this.#note(channel, command);
    if (command.type !== 'latch') this.#sayChannel(channel);
    return result;
  }

  /** Is found in the samples that follow the command; other commands are done when they are answered. */
  #zero(channel: LiveChannel, command: ChannelCommand): Promise<unknown> {
    if (channel.isOnline) this.#note(channel, command);
    return channel.command(command);
  }

  async #zeroDevice(channel: LiveChannel, command: ChannelCommand): Promise<unknown> {
    const instrument = this.#deps.instruments.get(channel.id.split('/')[0]!)!;
    const channels = instrument.channels.map((id) => this.#channels.get(id)!);
    const zeros = await zeroDevice({
      channels: channels.length, clock: this.#deps.clock,
      zero: (i) => this.#zero(channels[i]!, command),
      tellDevice: () => instrument.command({ kind: 'zero' }),
    });
    return zeros[channels.indexOf(channel)];
  }

  async record(id: string, sink: ByteSink, options?: RecordOptions): Promise<RunningRecording> {
    const { recordings, instruments } = this.#deps;
    const instrument = instruments.get(id);
    if (!instrument || !recordings) {
      throw new TorsiondError('CHANNEL_UNKNOWN', `there is no instrument "${id}"; known are ${instruments.instruments.map((known) => known.id).join(', ') || 'none'}`);
    }
    return recordings.record(id, this.#recordingSource(instrument), sink, options);
  }

  scan(code: string, source: string): void {
    this.#say({ type: 'scan.seen', at: this.#now(), code, source });
  }

  counters(): ReadonlyMap<string, number> {
    return new Map([
      ...this.#deps.instruments.counters(),
      ...[...this.#channels.values()].flatMap((channel) => channel.counters()),
      ['torsiond_readings_waiting', this.#keeper.waiting],
      ['torsiond_readings_lost_total', this.#keeper.lost],
      ['torsiond_wall_clock_jumps_total', this.#wall.jumps],
      ...(this.#deps.recordings?.counters() ?? []),
      ...(this.#deps.scanners?.counters() ?? []),
      ...this.ports.counters(),
    ]);
  }

  #recordingSource(instrument: Instrument): RecordingSource {
    const channels = instrument.channels.map((channel) => this.#channels.get(channel)!);
    return {
      settings: () => ({ ...instrument.settings, channels: instrument.settings.channels.map((settings, i) => ({ ...settings, capture: channels[i]!.info().settings })) }),
      isStreaming: () => ['streaming', 'stalled'].includes(instrument.info().state),
      state: () => ({ source: instrument.sampleState(), wall: this.#wall.snapshot(), channels: channels.map((channel) => channel.snapshot()) }),
      captureState: (place) => channels[place]!.captureState(),
      wallOffsetMs: () => this.#wall.offsetMs,
    };
  }

  #note(channel: LiveChannel, command: ChannelCommand): void {
    const { recordings } = this.#deps;
    if (!recordings) return;
    const { id } = channel;
    const mark: RecordedMark = command.type === 'configure' ? { kind: 'configure', channel: id, settings: channel.info().settings }
      : { kind: 'command', channel: id, command: command.type, ...(command.type === 'latch' && command.zeroCheck ? { zeroCheck: true } : {}) };
    recordings.mark(id.split('/')[0]!, mark);
  }

  #lookAtClocks(): void {
    this.#wall.look();
    this.#cancelLook = this.#deps.clock.after(CLOCK_LOOK_MS, () => this.#lookAtClocks());
  }

  #buildChannels(): void {
    for (const instrument of this.#deps.settings.instruments) {
      instrument.channels.forEach((settings, i) => {
        const channel = new LiveChannel({
          index: this.#channels.size, id: `${instrument.id}/${i + 1}`, instrument, settings, software: this.version,
          toWallMs: (monoMs) => this.#wall.toWallMs(monoMs),
          wallMs: () => this.#deps.clock.wallMs(),
          onSamples: (block) => {
            this.#deps.recordings?.samples(instrument.id, block);
            this.#samples$.next(block);
          },
          onOutcome: (from, outcome) => this.#take(from, outcome),
        });
        this.#channels.set(channel.id, channel);
      });
    }
  }

  /** Before the first samples: what they mean depends on the transducers, which the device may have named. */
  #useTransducers(instrument: string): void {
    this.#deps.instruments.get(instrument)?.settings.channels.forEach(({ transducer }, i) => {
      const channel = this.#channels.get(`${instrument}/${i + 1}`);
      if (channel?.useTransducer(transducer)) this.#sayChannel(channel);
    });
  }

  #interrupt(id: string, reason: 'gap' | 'stopped'): void {
    const channel = this.#channels.get(id);
    if (!channel) return;
    channel.interrupt(reason);
    this.#sayChannel(channel);
  }

  #take(channel: LiveChannel, outcome: Outcome): void {
    const at = this.#now();
    switch (outcome.kind) {
      case 'state': {
        if (outcome.standing !== null) this.#deps.log.warn({ channel: channel.id }, `loaded at rest by ${Number(outcome.standing.toPrecision(3))} N.m: unload and zero`);
        return this.#sayChannel(channel);
      }
      case 'cycle-started': return this.#say({ type: 'cycle.started', at, channel: channel.id, epoch: outcome.epoch, direction: outcome.direction });
      case 'click': return this.#say({ type: 'click.detected', at, channel: channel.id, unit: channel.unit, torque: convertTorque(outcome.torque, 'N.m', channel.unit) });
      case 'interrupted':
      case 'dismissed': return this.#say({ ...outcome.cycle, at });
      case 'reading': return this.#keeper.keep(outcome.reading, outcome.trace);
      case 'fault': {
        this.#deps.log.warn({ channel: channel.id, code: outcome.fault.code, fault: outcome.fault.message }, 'capture stopped');
        return this.#sayChannel(channel);
      }
    }
  }

  #sayChannel(channel: LiveChannel): void {
    this.#say({ type: 'channel.state', at: this.#now(), channel: channel.info() });
  }

  #say(event: GatewayEvent): void {
    this.#events$.next(event);
  }

  #now(): string {
    return new Date(this.#deps.clock.wallMs()).toISOString();
  }
}
