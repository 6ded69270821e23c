/**
 * The way of one channel's samples, the same for a live instrument and for a replay:
 *
 * ```
 * push(device block) ──▶ condition ──▶ samples$ ──▶ capture ──▶ judge ──▶ outcomes$
 * ```
 *
 * Synchronous: when `push` returns, everything these samples caused has been emitted. Neither stream ever errors.
 */
import { createHash } from 'node:crypto';
import { Observable, Subject, filter } from 'rxjs';
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { DismissedCycle, InterruptReason, InterruptedCycle, Reading } from '../../shared/reading.ts';
import type { DeviceBlock, SampleBlock } from '../../shared/sample-block.ts';
import type { Trace } from '../../shared/trace.ts';
import { signalScale, type SignalSettings } from '../../shared/signal.ts';
import { capacityNm, curveNm, type TransducerSettings } from '../../shared/transducer.ts';
import { NAMED_UNIT, convertTorque } from '../../shared/units.ts';
import { CaptureEngine } from '../capture/capture-engine.ts';
import { checkCapture, detectorNumbers } from '../capture/defaults.ts';
import type { CaptureEvent, ChannelState, NoReading } from '../capture/events.ts';
import type { ChannelFacts } from '../capture/evidence.ts';
import type { IdleState } from '../capture/idle-state.ts';
import { Conditioner, zeroNm, type ConditionerState, type ZeroRule } from '../conditioning/conditioner.ts';
import { judge } from './judge.ts';
import { LateStart } from './late-start.ts';

export interface ChannelPipelineOptions {
  readonly channel: string;
  /** File of a replay, null for a live channel. */
  readonly source: string | null;
  /** UCUM code of the torques in `transducer` and `zero`. */
  readonly unit: string;
  /** UCUM code of the device values, where the device does not name it; left out or `named`: `unit`. */
  readonly deviceUnit?: string | undefined;
  /** What the device sends; default torque. */
  readonly signal?: SignalSettings;
  readonly sign: 1 | -1;
  /** Torques in `unit`. */
  readonly zero: ZeroRule;
  readonly transducer: TransducerSettings;
  readonly capture: CaptureSettings;
  readonly isSimulated: boolean;
  /** Version of torsiond, kept with every trace. */
  readonly software: string;
  readonly toWallMs: (monoMs: number) => number;
}

/** What its samples so far have made of a channel. */
export interface PipelineState {
  readonly conditioner: ConditionerState;
  /** Null: torque is on, and capture has no state that another pipeline could begin with. */
  readonly capture: IdleState | null;
}

/** What comes of a channel's samples. */
export type Outcome =
  | Extract<CaptureEvent, { kind: 'state' | 'cycle-started' | 'click' }>
  | { readonly kind: 'reading'; readonly reading: Reading; readonly trace: Trace }
  | { readonly kind: 'interrupted'; readonly cycle: InterruptedCycle }
  | { readonly kind: 'dismissed'; readonly cycle: DismissedCycle }
  /** Nothing is captured until the settings or the rate change. */
  | { readonly kind: 'fault'; readonly fault: TorsiondError };

const MAX_DEFECTS = 16;

export class ChannelPipeline {
  readonly samples$: Observable<SampleBlock>;
  readonly outcomes$: Observable<Outcome>;
  readonly #options: ChannelPipelineOptions;
  readonly #device$ = new Subject<DeviceBlock>();
  readonly #samples$ = new Subject<SampleBlock>();
  /** What commands cause, beside what samples cause. */
  readonly #caused$ = new Subject<CaptureEvent>();
  readonly #outcomes$ = new Subject<Outcome>();
  readonly #engine: CaptureEngine;
  readonly #conditioner: Conditioner;
  /** N.m */
  readonly #capacity: number;
  #rateHz: number | null = null;
  #fault: TorsiondError | null = null;
  /** In a replay that begins in the midst of a cycle: until `startCapture`. */
  #late: LateStart | null = null;
  /** What was told of them since the samples began. */
  readonly #defects = new Set<string>();
  #zeroing: { resolve: (zero: number) => void; reject: (fault: TorsiondError) => void }[] = [];

  constructor(options: ChannelPipelineOptions) {
    this.#options = options;
    this.#capacity = capacityNm(options.transducer, options.unit);
    this.#engine = new CaptureEngine({ settings: options.capture, facts: channelFacts(options, this.#capacity), toWallMs: options.toWallMs });
    this.#conditioner = new Conditioner({
      unit: valueUnit(options), signal: signalScale(options.signal ?? { kind: 'torque' }, options.transducer.bridge), sign: options.sign,
      calibration: curveNm(options.transducer.calibration.curve, options.unit), zero: zeroNm(options.zero, options.unit), capacity: this.#capacity,
      releaseTorque: detectorNumbers(options.capture, this.#capacity, 0).releaseTorque,
      onZero: (result) => this.#endZero(result),
    });
    this.samples$ = this.#samples$.asObservable();
    this.outcomes$ = this.#outcomes$.asObservable();

    const onThrow = (thrown: unknown): void => this.#noteDefect(thrown);
    this.#device$.pipe(eachBlock((block) => this.#conditioner.step(block), onThrow)).subscribe(this.#samples$);
    this.#samples$.pipe(filter((block) => this.#carries(block)), eachBlock((block) => this.#engine.step(block), onThrow)).subscribe(this.#caused$);
    this.#caused$.pipe(eachBlock((event) => [this.#judge(event)], onThrow)).subscribe(this.#outcomes$);
  }

  get settings(): CaptureSettings {
    return this.#engine.settings;
  }

  get state(): ChannelState {
    return this.#engine.state;
  }

  /** Torque that stands at rest while the channel is loaded, N.m; else null. */
  get standing(): number | null {
    return this.#engine.standing;
  }

  /** Why the channel captures nothing, or null. */
  get fault(): TorsiondError | null {
    return this.#fault;
  }

  /** Transducer capacity, N.m. */
  get capacity(): number {
    return this.#capacity;
  }

  /** To be written down at once, for parts of it go on changing. */
  snapshot(): PipelineState {
    return { conditioner: this.#conditioner.snapshot(), capture: this.#engine.idleState() };
  }

  /** Null while torque is on. To be written down at once. */
  captureState(): IdleState | null {
    return this.#engine.idleState();
  }

  /** Of a pipeline that has taken no samples: goes on as the one did whose state this is. */
  restore(state: PipelineState): void {
    this.#conditioner.restore(state.conditioner);
    if (state.capture) this.#engine.restore(state.capture);
    else this.#late = new LateStart();
  }

  /** Captures from the next sample on, after a start without a state of capture; does nothing when it captures already. */
  startCapture(state: IdleState): void {
    if (this.#late === null) return;
    this.#endLate();
    this.#engine.restore(state);
  }

  #endLate(): void {
    const late = this.#late;
    this.#late = null;
    if (late) this.#causeAll(late.events(detectorNumbers(this.settings, this.#capacity, 0).releaseTorque));
  }

  push(block: DeviceBlock): void {
    this.#device$.next(block);
  }

  /**
   * The samples end, or pause for a reason that the next block will name. A running cycle is interrupted, and who waits
   * for a zero will get none.
   */
  end(reason: InterruptReason): void {
    this.#defects.clear();
    if (this.#late && reason === 'record-ended') this.#endLate();
    this.#causeAll(this.#engine.end(reason));
    this.#conditioner.abandonZero();
    this.#endZero({ fault: new TorsiondError('CHANNEL_NOT_READY', 'the samples ended while the zero was looked for', { where: this.#options.channel }) });
  }

  arm(): void {
    this.#engine.arm();
  }

  hold(): void {
    this.#causeAll(this.#engine.hold());
  }

  /**
   * @param isZeroCheck to see the zero of the unloaded channel; not judged
   * @throws TorsiondError MODE_MISMATCH outside track, TORQUE_TOO_LOW unless it is a zero check, CHANNEL_NOT_READY without
   *   samples, or why nothing is captured
   */
  latch(isZeroCheck = false): void {
    const { channel } = this.#options;
    if (this.settings.mode !== 'track') {
      throw new TorsiondError('MODE_MISMATCH', `a reading can be taken by hand in track only; the channel is set to ${this.settings.mode}`, { where: channel });
    }
    if (this.#fault) throw this.#fault;
    const event = this.#engine.latch(isZeroCheck);
    if (!event) throw new TorsiondError('CHANNEL_NOT_READY', 'the channel has given no samples yet', { where: channel });
    this.#caused$.next(event);
  }

  /** @throws TorsiondError when the channel cannot carry the settings; nothing has changed then */
  configure(settings: CaptureSettings): void {
    const fault = checkCapture(settings, this.#rateHz, this.#capacity)[0];
    if (fault) throw fault;
    this.#fault = null;
    const before = this.settings;
    for (const event of this.#engine.reconfigure(settings)) {
      // What is interrupted ran with the settings before.
      this.#outcomes$.next(this.#judge(event, before));
    }
  }

  /** Resolves with the new zero in N.m. @throws TorsiondError ZERO_REFUSED when the torque does not come to rest, CHANNEL_NOT_READY when the samples end */
  zero(): Promise<number> {
    if (this.#options.zero.kind === 'fixed') {
      return Promise.reject(new TorsiondError('ZERO_REFUSED', 'the zero of this channel is fixed in the settings', { where: this.#options.channel }));
    }
    this.#conditioner.requestZero();
    return new Promise((resolve, reject) => this.#zeroing.push({ resolve, reject }));
  }

  #endZero(result: { readonly zero: number } | { readonly fault: TorsiondError }): void {
    const waiting = this.#zeroing;
    this.#zeroing = [];
    for (const { resolve, reject } of waiting) {
      if ('zero' in result) resolve(result.zero);
      else reject(result.fault);
    }
  }

  #causeAll(events: readonly CaptureEvent[]): void {
    for (const event of events) this.#caused$.next(event);
  }

  /** A rate that the settings do not fit stops capture, not the samples. */
  #carries(block: SampleBlock): boolean {
    if (this.#late) {
      this.#late.take(block);
      return false;
    }
    if (block.rateHz !== this.#rateHz) {
      this.#rateHz = block.rateHz;
      const before = this.#fault;
      this.#fault = checkCapture(this.settings, block.rateHz, this.#capacity)[0] ?? null;
      if (this.#fault) this.#outcomes$.next({ kind: 'fault', fault: this.#fault });
      else if (before) this.#outcomes$.next({ kind: 'state', state: this.state, standing: this.standing, atMs: block.startMs });
    }
    return this.#fault === null;
  }

  /** Told once for each connection: what fails with one block may fail with every one. */
  #noteDefect(thrown: unknown): void {
    const fault = asTorsiondError(thrown);
    if (this.#defects.has(fault.message)) return;
    if (this.#defects.size < MAX_DEFECTS) this.#defects.add(fault.message);
    this.#outcomes$.next({ kind: 'fault', fault });
  }

  #judge(event: CaptureEvent, settings = this.settings): Outcome {
    const { source } = this.#options;
    switch (event.kind) {
      case 'captured':
        return { kind: 'reading', ...judge(event.capture, event.trace, { source, keepsTrace: source === null, idOf: (trace) => readingId(trace, source) }) };
      case 'interrupted':
        return { kind: 'interrupted', cycle: { type: 'cycle.interrupted', reason: event.reason, ...this.#noReading(event, settings) } };
      case 'dismissed':
        return { kind: 'dismissed', cycle: { type: 'cycle.dismissed', reason: event.reason, ...this.#noReading(event, settings) } };
      default:
        return event;
    }
  }

  #noReading(event: NoReading, { mode, unit }: CaptureSettings): Omit<InterruptedCycle, 'type' | 'reason'> {
    const { source, channel, toWallMs } = this.#options;
    return {
      source, channel, epoch: event.epoch, mode, direction: event.direction, unit, maximum: convertTorque(event.maximum, 'N.m', unit),
      startedAt: new Date(toWallMs(event.startMs)).toISOString(), durationMs: event.durationMs,
    };
  }
}

/**
 * A pure step over blocks as an operator. A step that throws loses its block, is told, and the stream goes on.
 * Hands on what a step gives one by one: `mergeAll` would build an observable per block, which costs as much as the step.
 */
function eachBlock<In, Out>(step: (block: In) => readonly Out[], onThrow: (thrown: unknown) => void) {
  return (blocks$: Observable<In>): Observable<Out> => new Observable((subscriber) => blocks$.subscribe({
    next: (block) => {
      let results: readonly Out[] = [];
      try {
        results = step(block);
      } catch (thrown) {
        onThrow(thrown);
      }
      for (const result of results) subscriber.next(result);
    },
    error: (thrown) => subscriber.error(thrown),
    complete: () => subscriber.complete(),
  }));
}

/** Follows from where and when the samples were taken and how, so that a replay of the same recording finds the same id. */
function readingId(trace: Omit<Trace, 'id'>, source: string | null): string {
  const { channel, epoch, firstIndex, startWallMs, evidence } = trace;
  const facts = [source ?? '', channel, epoch, firstIndex + evidence.cycleAt, evidence.takenAt, startWallMs, JSON.stringify(evidence.settings), ...(evidence.takenBy === 'zero-check' ? ['zero-check'] : [])].join('|');
  return createHash('sha256').update(facts).digest('hex').slice(0, 32);
}

/** Of values that come without one. The bridge turns a signal into a torque of the channel's unit. */
export function valueUnit({ unit, deviceUnit, signal }: Pick<ChannelPipelineOptions, 'unit' | 'deviceUnit' | 'signal'>): string {
  if (signal !== undefined && signal.kind !== 'torque') return unit;
  return deviceUnit === undefined || deviceUnit === NAMED_UNIT ? unit : deviceUnit;
}

function channelFacts(options: ChannelPipelineOptions, capacity: number): ChannelFacts {
  const { transducer, unit } = options;
  const { calibration, lowestTorque } = transducer;
  return {
    channel: options.channel,
    software: options.software,
    capacity,
    isSimulated: options.isSimulated,
    transducer: {
      serialNumber: transducer.serialNumber,
      capacity,
      lowestTorque: lowestTorque === undefined ? null : convertTorque(lowestTorque, unit, 'N.m'),
      calibrationDue: calibration.due ?? null,
      uncertainty: calibration.expandedUncertainty === undefined ? null : { percent: calibration.expandedUncertainty, k: calibration.k },
    },
  };
}
