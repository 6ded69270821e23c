/** One channel of the station: its pipeline, its live value, and what the wire says of it. */
import { isDeepStrictEqual } from 'node:util';
import type { DeviceBlock, SampleBlock } from '../../shared/sample-block.ts';
import { CaptureSettings, captureIn } from '../../shared/capture-settings.ts';
import { TorsiondError } from '../../shared/errors.ts';
import { DISMISS_MEANINGS, type DismissReason } from '../../shared/reading.ts';
import type { TransducerSettings } from '../../shared/transducer.ts';
import { convertTorque } from '../../shared/units.ts';
import type { ChannelCommand } from '../../shared/wire/commands.ts';
import type { ChannelInfo } from '../../shared/wire/events.ts';
import { ChannelPipeline, type Outcome } from '../pipeline/channel-pipeline.ts';
import { isPast } from '../pipeline/judge.ts';
import type { IdleState } from '../capture/idle-state.ts';
import type { InstrumentState } from '../recording/recording-hub.ts';
import type { ChannelSettings, InstrumentSettings } from '../settings/schema.ts';
import { LiveValue } from './live-value.ts';

export interface LiveChannelOptions {
  readonly index: number;
  readonly id: string;
  readonly instrument: InstrumentSettings;
  readonly settings: ChannelSettings;
  readonly software: string;
  readonly toWallMs: (monoMs: number) => number;
  readonly wallMs: () => number;
  readonly onSamples: (block: SampleBlock) => void;
  readonly onOutcome: (channel: LiveChannel, outcome: Outcome) => void;
}

const DISMISS_REASONS = Object.keys(DISMISS_MEANINGS) as DismissReason[];

type SettingsChange = { readonly [Key in keyof CaptureSettings]?: CaptureSettings[Key] | undefined };

export class LiveChannel {
  readonly id: string;
  readonly #options: LiveChannelOptions;
  #pipeline: ChannelPipeline;
  #transducer: TransducerSettings;
  readonly #live: LiveValue;
  readonly #counts = { readings: 0, interrupted: 0 };
  readonly #dismissed = new Map<DismissReason, number>(DISMISS_REASONS.map((reason) => [reason, 0]));
  #isOnline = false;
  #rateHz: number | null = null;

  constructor(options: LiveChannelOptions) {
    const { id, settings } = options;
    this.id = id;
    this.#options = options;
    this.#live = new LiveValue(settings.capture);
    this.#transducer = settings.transducer;
    this.#pipeline = this.#openPipeline(settings.capture);
  }

  #openPipeline(capture: CaptureSettings): ChannelPipeline {
    const { id, instrument, settings, software, toWallMs, onSamples, onOutcome } = this.#options;
    const pipeline = new ChannelPipeline({
      channel: id, source: null, unit: settings.unit, deviceUnit: settings.deviceUnit, signal: settings.signal, sign: settings.sign, zero: settings.zero, transducer: this.#transducer,
      capture, isSimulated: instrument.simulated, software, toWallMs,
    });
    pipeline.samples$.subscribe((block) => {
      this.#rateHz = block.rateHz;
      this.#live.take(block);
      onSamples(block);
    });
    pipeline.outcomes$.subscribe((outcome) => {
      if (outcome.kind === 'reading') this.#counts.readings++;
      if (outcome.kind === 'interrupted') this.#counts.interrupted++;
      if (outcome.kind === 'dismissed') this.#dismissed.set(outcome.cycle.reason, this.#dismissed.get(outcome.cycle.reason)! + 1);
      onOutcome(this, outcome);
    });
    return pipeline;
  }

  get unit(): string {
    return this.#pipeline.settings.unit;
  }

  get isOnline(): boolean {
    return this.#isOnline;
  }

  /** Whether a zero on command is also the device's. */
  get zeroesDevice(): boolean {
    const { zero } = this.#options.settings;
    return zero.kind !== 'fixed' && zero.device === true;
  }

  /** What its samples so far have made of it; to be written down at once. */
  snapshot(): InstrumentState['channels'][number] {
    return { settings: this.#pipeline.settings, transducer: this.#transducer, pipeline: this.#pipeline.snapshot() };
  }

  captureState(): IdleState | null {
    return this.#pipeline.captureState();
  }

  get liveTorque(): number | null {
    return this.#isOnline ? this.#live.value : null;
  }

  /**
   * The device says which transducer is on it. Another one than before begins anew, without the zero of the other; a hold by
   * hand stays.
   * @returns whether it is another one
   */
  useTransducer(transducer: TransducerSettings): boolean {
    if (isDeepStrictEqual(transducer, this.#transducer)) return false;
    const { settings: capture, state } = this.#pipeline;
    this.#pipeline.end('gap');
    this.#transducer = transducer;
    this.#pipeline = this.#openPipeline(capture);
    if (state === 'held') this.#pipeline.hold();
    return true;
  }

  push(block: DeviceBlock): void {
    const wasOnline = this.#isOnline;
    this.#isOnline = true;
    this.#pipeline.push(block);
    if (!wasOnline) this.#options.onOutcome(this, { kind: 'state', state: this.#pipeline.state, standing: this.#pipeline.standing, atMs: block.startMs });
  }

  /** The samples stopped coming. */
  interrupt(reason: 'gap' | 'stopped'): void {
    this.#isOnline = false;
    this.#live.clear();
    this.#pipeline.end(reason);
  }

  info(): ChannelInfo {
    const { index, instrument, settings } = this.#options;
    const transducer = this.#transducer;
    const { settings: capture, standing } = this.#pipeline;
    const inUnit = (value: number): number => convertTorque(value, settings.unit, capture.unit);
    const due = transducer.calibration.due ?? null;
    return {
      index,
      id: this.id,
      title: settings.title ?? this.id,
      instrument: instrument.id,
      state: this.#isOnline ? this.#pipeline.state : 'offline',
      loadedBy: this.#isOnline && standing !== null ? convertTorque(standing, 'N.m', capture.unit) : null,
      fault: this.#pipeline.fault?.toJSON() ?? null,
      settings: capture,
      transducer: {
        serialNumber: transducer.serialNumber,
        capacity: inUnit(transducer.capacity),
        resolution: transducer.resolution === undefined ? null : inUnit(transducer.resolution),
        calibrationDue: due,
        overdue: due !== null && isPast(due, this.#options.wallMs()),
      },
      sampleRateHz: this.#isOnline ? this.#rateHz : settings.sampleRateHz ?? null,
    };
  }

  /** @throws TorsiondError CHANNEL_NOT_READY, MODE_MISMATCH, TORQUE_TOO_LOW, ZERO_REFUSED, RATE_TOO_LOW, LIMITS_INVALID, CAPTURE_SETTINGS */
  async command(command: ChannelCommand): Promise<unknown> {
    switch (command.type) {
      case 'arm': return this.#pipeline.arm();
      case 'hold': return this.#pipeline.hold();
      case 'latch': this.#mustBeOnline(); return this.#pipeline.latch(command.zeroCheck);
      case 'zero': {
        this.#mustBeOnline();
        const zero = await this.#pipeline.zero();
        return { zero: convertTorque(zero, 'N.m', this.unit), unit: this.unit };
      }
      case 'configure': {
        const { type: _type, id: _id, channel: _channel, ...changes } = command;
        const settings = changedSettings(this.#pipeline.settings, changes, this.id);
        this.#pipeline.configure(settings);
        this.#live.use(settings);
      }
    }
  }

  counters(): [string, number][] {
    const label = `{channel="${this.id}"}`;
    return [
      [`torsiond_readings_total${label}`, this.#counts.readings],
      [`torsiond_interrupted_cycles_total${label}`, this.#counts.interrupted],
      ...[...this.#dismissed].map(([reason, count]): [string, number] => [`torsiond_dismissed_cycles_total{channel="${this.id}",reason="${reason}"}`, count]),
    ];
  }

  #mustBeOnline(): void {
    if (!this.#isOnline) throw new TorsiondError('CHANNEL_NOT_READY', 'the channel gives no samples', { where: this.id });
  }
}

/** A new unit alone changes how torques are shown, not which ones are within the limits. */
function changedSettings(before: CaptureSettings, changes: SettingsChange, channel: string): CaptureSettings {
  const checked = CaptureSettings.safeParse({ ...captureIn(changes.unit ?? before.unit, before), ...changes });
  if (checked.success) return checked.data;
  const issue = checked.error.issues[0]!;
  throw new TorsiondError('CAPTURE_SETTINGS', `${issue.path.join('.')}: ${issue.message}`, { where: channel });
}
