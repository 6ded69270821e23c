/**
 * Between the running station and whoever records: what instruments send and what happens at them goes to every
 * recorder that asked for it. While nobody records it only remembers the little that one who joins would need.
 */
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { TransducerSettings } from '../../shared/transducer.ts';
import type { CaptureSettings } from '../../shared/capture-settings.ts';
import type { IdleState } from '../capture/idle-state.ts';
import type { PipelineState } from '../pipeline/channel-pipeline.ts';
import type { SampleSourceState } from '../pipeline/sample-source.ts';
import type { WallMapState } from '../pipeline/wall-time.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import type { ByteSink } from './byte-sink.ts';
import { ConnectionMemory, type Remembered } from './connection-memory.ts';
import { createRecorder, type ConnectionRecorder, type Recorder, type RecorderCounters } from './recorder.ts';
import type { RecordedMark } from './recording-format.ts';

export interface RecordingHubOptions {
  readonly station: string;
  /** Name and version of what records. */
  readonly software: string;
  /** As of `RecorderOptions`. */
  readonly driverOrigin?: (id: string) => string | null;
  readonly clock: Clock;
}

/** To be written down at once, for parts of it go on changing. */
export interface InstrumentState {
  /** Null while its samples do not count. */
  readonly source: SampleSourceState | null;
  readonly wall: WallMapState;
  readonly channels: readonly { readonly settings: CaptureSettings; readonly transducer: TransducerSettings; readonly pipeline: PipelineState }[];
}

/** What is recorded, as it stands when somebody asks and later at each connection. */
export interface RecordingSource {
  /** The instrument with the settings that its channels have now. */
  settings(): InstrumentSettings;
  /** The instrument has said who it is, and its samples count. */
  isStreaming(): boolean;
  /** What the samples so far have made of it; null: nobody knows. */
  state(): InstrumentState | null;
  /** Of a channel by its place; null while torque is on. */
  captureState(channel: number): IdleState | null;
  /** Wall time minus monotonic time, ms, as readings get it. */
  wallOffsetMs(): number;
}

export interface RecordOptions {
  /** Torque stands beside the bytes, for viewers. Default false. */
  readonly hasTorque?: boolean;
}

export interface RunningRecording {
  /** Resolves when it is over: null after `stop` or the end of the station, else why it was cut. Never rejects. */
  readonly ended: Promise<TorsiondError | null>;
  counters(): RecorderCounters;
  /** Ends it properly. Idempotent, never rejects. */
  stop(): Promise<void>;
}

/** Recordings at a time, over all instruments. */
export const MAX_RECORDINGS = 16;
/** Most bytes that wait for one client that records; beyond, its recording is cut. */
export const RECORDING_QUEUE_BYTES = 4_194_304;

const CLOSE_LIMIT_MS = 1_000;

interface Attached {
  readonly instrument: string;
  readonly source: RecordingSource;
  readonly recorder: Recorder;
  readonly hasTorque: boolean;
  /** Places of channels whose state of capture is to follow, when no torque is on. */
  waiting: readonly number[];
  connection: ConnectionRecorder | null;
  epoch: number;
  stop(): Promise<void>;
}

function timeOf(item: Remembered): number {
  return item.kind === 'chunk' ? item.chunk.atMs : item.mark.note.atMs;
}

export class RecordingHub {
  readonly #options: RecordingHubOptions;
  readonly #attached = new Map<string, Set<Attached>>();
  readonly #watched = new Map<string, { readonly source: RecordingSource; memory: ConnectionMemory | null }>();
  #running = 0;
  #isClosed = false;
  readonly #counts = { started: 0, cut: 0, bytes: 0 };

  constructor(options: RecordingHubOptions) {
    this.#options = options;
  }

  /** From here on what a recording would need that joins later is remembered. */
  watch(instrument: string, source: RecordingSource): void {
    this.#watched.set(instrument, { source, memory: null });
  }

  isTapped(instrument: string): boolean {
    return this.#watched.has(instrument) || this.#attached.has(instrument);
  }

  /** The chunk is the hub's to keep; recorders share its bytes and change nothing. */
  chunk(instrument: string, chunk: ByteChunk, epoch: number): void {
    const memory = this.#memoryOf(instrument, epoch);
    for (const one of this.#attached.get(instrument) ?? []) {
      if ((one.connection === null || one.epoch !== epoch) && !this.#begin(one, epoch, memory)) continue;
      this.#tellCapture(one);
      this.#pass(one, { kind: 'chunk', chunk });
    }
    memory?.take({ kind: 'chunk', chunk });
  }

  /** @param instrument null: all */
  mark(instrument: string | null, mark: RecordedMark): void {
    for (const [id, listeners] of this.#attached) {
      if (instrument !== null && instrument !== id) continue;
      // Of what comes before a recording has begun, the state with which it begins tells.
      for (const one of listeners) if (one.connection !== null || !this.#watched.has(id)) one.recorder.mark(mark);
    }
    if (mark.kind === 'note') this.#memoryOf(mark.instrument, mark.epoch)?.take({ kind: 'mark', mark });
  }

  /** Torque, for those who want it beside the bytes. */
  samples(instrument: string, block: SampleBlock): void {
    for (const one of this.#attached.get(instrument) ?? []) if (one.hasTorque && one.connection !== null) one.recorder.torque(block);
  }

  /**
   * Records from now on, until `stop`, the end of the station, or a sink that fails or does not keep up.
   * @throws TorsiondError LIMIT_REACHED, or what the sink says
   */
  async record(instrument: string, source: RecordingSource, sink: ByteSink, { hasTorque = false }: RecordOptions = {}): Promise<RunningRecording> {
    if (this.#isClosed) throw new TorsiondError('CHANNEL_NOT_READY', 'the gateway is stopping', { where: instrument });
    if (this.#running >= MAX_RECORDINGS) throw new TorsiondError('LIMIT_REACHED', `${MAX_RECORDINGS} recordings run already`, { where: instrument });
    this.#running++;
    const { station, software, driverOrigin = () => null, clock } = this.#options;
    let recorder: Recorder;
    try {
      recorder = await createRecorder(sink, {
        station, software, driverOrigin, clock, wallOffsetMs: () => source.wallOffsetMs(), queueBytes: RECORDING_QUEUE_BYTES, overflow: 'fail',
      });
    } catch (thrown) {
      this.#running--;
      throw thrown;
    }
    this.#counts.started++;
    let settle: (reason: TorsiondError | null) => void = () => {};
    const ended = new Promise<TorsiondError | null>((resolve) => (settle = resolve));
    let stopping: Promise<void> | null = null;
    const end = async (): Promise<void> => {
      this.#detach(attached);
      try {
        await recorder.close();
        settle(null);
      } catch (thrown) {
        const reason = asTorsiondError(thrown);
        if (reason.code === 'LIMIT_REACHED') this.#counts.cut++;
        settle(reason);
      }
    };
    const attached: Attached = {
      instrument, source, recorder, hasTorque, waiting: [], connection: null, epoch: -1, stop: () => (stopping ??= end()),
    };
    this.#attach(attached);
    void recorder.failed.then(() => attached.stop());
    return { ended, counters: () => recorder.counters(), stop: () => attached.stop() };
  }

  /** Ends every recording properly, within a second, or else cut; none begins after. */
  async close(): Promise<void> {
    this.#isClosed = true;
    const all = [...this.#attached.values()].flatMap((listeners) => [...listeners]);
    if (all.length === 0) return;
    const cancel = this.#options.clock.after(CLOSE_LIMIT_MS, () => {
      for (const { recorder } of all) recorder.abandon(new TorsiondError('LIMIT_REACHED', 'what was recorded was not taken before the gateway stopped'));
    });
    await Promise.all(all.map((one) => one.stop()));
    cancel();
  }

  counters(): [string, number][] {
    return [
      ['torsiond_recordings', this.#running],
      ['torsiond_recordings_total', this.#counts.started],
      ['torsiond_recordings_cut_total', this.#counts.cut],
      ['torsiond_recorded_bytes_total', this.#counts.bytes],
      ['torsiond_recording_memory_bytes', [...this.#watched.values()].reduce((sum, { memory }) => sum + (memory?.bytes ?? 0), 0)],
      ['torsiond_recording_beginnings_lost', [...this.#watched.values()].filter(({ memory }) => memory?.isHeadLost).length],
    ];
  }

  #memoryOf(instrument: string, epoch: number): ConnectionMemory | null {
    const watched = this.#watched.get(instrument);
    if (!watched) return null;
    if (watched.memory?.epoch !== epoch) watched.memory = new ConnectionMemory(epoch);
    if (watched.source.isStreaming()) watched.memory.endHead();
    return watched.memory;
  }

  /** @returns false while it cannot begin: the instrument is still saying who it is, and not all of that is known */
  #begin(one: Attached, epoch: number, memory: ConnectionMemory | null): boolean {
    const { recorder, source } = one;
    if (one.connection !== null) {
      one.epoch = epoch;
      one.connection = recorder.connection(source.settings(), epoch, { hasCommands: true });
      return true;
    }
    const isUnderWay = memory !== null && !memory.isEmpty;
    const isJoined = isUnderWay && source.isStreaming();
    if (isUnderWay && !isJoined && memory.sinceStart === null) return false;
    const state = memory && source.state();
    const before = isJoined ? [...(memory.head ?? []), ...memory.latest] : (memory?.sinceStart ?? []);
    one.epoch = epoch;
    one.connection = recorder.connection(source.settings(), epoch, {
      fromMonoMs: before[0] ? timeOf(before[0]) : null, isJoined, hasState: state !== null, hasHead: isJoined && memory.head !== null, hasCommands: true,
    });
    if (isJoined) for (const item of before) this.#pass(one, item);
    if (state) {
      recorder.mark({ kind: 'state', instrument: one.instrument, epoch, ...state, channels: [...state.channels] });
      one.waiting = state.channels.flatMap(({ pipeline }, i) => (pipeline.capture ? [] : [i]));
    }
    if (!isJoined) for (const item of before) this.#pass(one, item);
    return true;
  }

  #pass(one: Attached, item: Remembered): void {
    if (item.kind === 'mark') return one.recorder.mark(item.mark);
    one.connection!.chunk(item.chunk);
    this.#counts.bytes += item.chunk.data.byteLength;
  }

  /** A cycle ran at a channel when the recording began: what its capture is comes as soon as no torque is on. */
  #tellCapture(one: Attached): void {
    if (one.waiting.length === 0) return;
    one.waiting = one.waiting.filter((place) => {
      const state = one.source.captureState(place);
      if (state !== null) one.recorder.mark({ kind: 'capture', channel: `${one.instrument}/${place + 1}`, state });
      return state === null;
    });
  }

  #attach(one: Attached): void {
    const listeners = this.#attached.get(one.instrument) ?? new Set();
    this.#attached.set(one.instrument, listeners.add(one));
  }

  #detach(one: Attached): void {
    const listeners = this.#attached.get(one.instrument);
    if (!listeners?.delete(one)) return;
    this.#running--;
    if (listeners.size === 0) this.#attached.delete(one.instrument);
  }
}
