/**
 * Between the running station and whoever records: what instruments send and what happens at them goes to every
 * recorder that asked for it. While nobody records it does nothing.
 */
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { InstrumentSettings } from '../settings/schema.ts';
import type { ByteSink } from './byte-sink.ts';
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

/** What is recorded, as it stands when somebody asks and later at each connection. */
export interface RecordingSource {
  /** The instrument with the settings that its channels have now. */
  settings(): InstrumentSettings;
  /** Zero of each channel now, N.m. */
  zeros(): readonly number[];
  /** The connection from which bytes have come already; null when the next bytes are the first of theirs. */
  readonly runningEpoch: number | null;
  /** Wall time minus monotonic time, ms, as readings get it. */
  wallOffsetMs(): number;
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
  readonly joinedEpoch: number | null;
  connection: ConnectionRecorder | null;
  epoch: number;
  stop(): Promise<void>;
}

export class RecordingHub {
  readonly #options: RecordingHubOptions;
  readonly #attached = new Map<string, Set<Attached>>();
  #running = 0;
  #isClosed = false;
  readonly #counts = { started: 0, cut: 0, bytes: 0 };

  constructor(options: RecordingHubOptions) {
    this.#options = options;
  }

  isTapped(instrument: string): boolean {
    return this.#attached.has(instrument);
  }

  /** The chunk is the hub's to keep; recorders share its bytes and change nothing. */
  chunk(instrument: string, chunk: ByteChunk, epoch: number): void {
    const listeners = this.#attached.get(instrument);
    if (!listeners) return;
    for (const one of listeners) {
      if (one.connection === null || one.epoch !== epoch) {
        one.epoch = epoch;
        one.connection = one.recorder.connection(one.source.settings(), epoch, {
          isJoined: one.joinedEpoch === epoch, zeros: one.source.zeros(), hasCommands: true,
        });
      }
      one.connection.chunk(chunk);
      this.#counts.bytes += chunk.data.byteLength;
    }
  }

  /** @param instrument null: all */
  mark(instrument: string | null, mark: RecordedMark): void {
    for (const [id, listeners] of this.#attached) {
      if (instrument === null || instrument === id) for (const one of listeners) one.recorder.mark(mark);
    }
  }

  /**
   * Records from now on, until `stop`, the end of the station, or a sink that fails or does not keep up.
   * @throws TorsiondError LIMIT_REACHED, or what the sink says
   */
  async record(instrument: string, source: RecordingSource, sink: ByteSink): Promise<RunningRecording> {
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
      instrument, source, recorder, joinedEpoch: source.runningEpoch, connection: null, epoch: -1, stop: () => (stopping ??= end()),
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
    ];
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
