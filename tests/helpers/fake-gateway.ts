/** A gateway without a bench: the test says what happens. Its store keeps readings in memory. */
import { Subject } from 'rxjs';
import type { Clock } from '../../shared/clock.ts';
import { systemClock } from '../../shared/clock.ts';
import { CaptureSettings } from '../../shared/capture-settings.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { Reading } from '../../shared/reading.ts';
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { Trace } from '../../shared/trace.ts';
import type { ChannelCommand } from '../../shared/wire/commands.ts';
import type { ChannelInfo, GatewayEvent, InstrumentInfo, ScannerInfo } from '../../shared/wire/events.ts';
import { BrowserPorts } from '../../daemon/devices/browser-ports.ts';
import type { ByteSink } from '../../daemon/recording/byte-sink.ts';
import { RecordingHub, type RecordOptions, type RunningRecording } from '../../daemon/recording/recording-hub.ts';
import type { Gateway } from '../../daemon/server/gateway.ts';
import { InstrumentSettings } from '../../daemon/settings/schema.ts';
import type { ChainReport, ReadingQuery, ReadingStore, StoredReading, StoreStatus } from '../../daemon/storage/store.ts';

const T0 = Date.UTC(2026, 10, 25, 8);

export class MemoryStore implements ReadingStore {
  readonly stored: StoredReading[] = [];
  readonly traces = new Map<string, Trace>();
  state: StoreStatus['state'] = 'ready';
  /** Run before every query answers; lets a test store readings in the middle of a catch-up, or fail. */
  beforeAnswer: () => void | Promise<void> = () => {};
  queries: ReadingQuery[] = [];

  async append(reading: Reading, trace: Trace): Promise<StoredReading> {
    this.traces.set(reading.id, trace);
    return this.add(reading);
  }

  add(reading: Reading): StoredReading {
    const seq = this.stored.length + 1;
    const stored = { reading: { ...reading, seq }, storedAtMs: T0 + seq, hash: seq.toString(16).padStart(64, '0') };
    this.stored.push(stored);
    return stored;
  }

  async readings(query: ReadingQuery): Promise<readonly StoredReading[]> {
    this.queries.push(query);
    const found = this.stored.filter(({ reading }) => (reading.seq ?? 0) > (query.afterSeq ?? 0)
      && (query.channel === undefined || reading.channel === query.channel) && (query.since === undefined || reading.startedAt >= query.since));
    const ordered = query.order === 'newest' ? found.reverse() : found;
    const page = ordered.slice(0, query.limit ?? 200);
    await this.beforeAnswer();
    // Like the real one, which answers from another thread, never within the same turn.
    await new Promise((resolve) => setImmediate(resolve));
    return page;
  }

  async reading(id: string): Promise<StoredReading | null> {
    return this.stored.find(({ reading }) => reading.id === id) ?? null;
  }

  async trace(readingId: string): Promise<Trace | null> {
    return this.traces.get(readingId) ?? null;
  }

  async audit(): Promise<ChainReport> {
    return { records: this.stored.length, lastSeq: this.stored.length, head: '0'.repeat(64), faults: [] };
  }

  status(): StoreStatus {
    return { state: this.state, since: T0, detail: this.state === 'ready' ? null : 'as the test says', pending: 0, lastSeq: this.stored.length };
  }

  onStatus(): () => void {
    return () => {};
  }

  async close(): Promise<void> {}
}

export class FakeGateway implements Gateway {
  readonly station = 'Hollin & Fenn, bench 2 (invented)';
  readonly version = '0.0.0-test';
  readonly store = new MemoryStore();
  readonly events$ = new Subject<GatewayEvent>();
  readonly samples$ = new Subject<SampleBlock>();
  readonly commands: ChannelCommand[] = [];
  readonly scans: { code: string; source: string }[] = [];
  onCommand: (command: ChannelCommand) => Promise<unknown> = async () => undefined;
  instrumentList: InstrumentInfo[] = [instrument('bench-a')];
  channelList: ChannelInfo[] = [channel('bench-a/1', 0), channel('bench-a/2', 1)];
  scannerList: ScannerInfo[] = [];
  readonly counterMap = new Map<string, number>([['torsiond_samples_total{channel="bench-a/1"}', 12]]);
  readonly recordings: RecordingHub;
  ports: BrowserPorts;
  readonly #next = new Map<string, number>();
  readonly #live = new Map<string, number>();
  readonly #clock: Clock;

  constructor(clock: Clock = systemClock) {
    this.#clock = clock;
    this.ports = new BrowserPorts([], clock);
    this.recordings = new RecordingHub({ station: this.station, software: 'torsiond 0.0.0-test', clock });
  }

  async record(id: string, sink: ByteSink, options?: RecordOptions): Promise<RunningRecording> {
    if (!this.instrumentList.some((info) => info.id === id)) throw new TorsiondError('CHANNEL_UNKNOWN', `there is no instrument "${id}"`);
    const settings = InstrumentSettings.parse({
      id, link: { kind: 'tcp', host: '127.0.0.1', port: 4_001 }, driver: { id: 'ascii-lines' }, channels: [{ transducer: { serialNumber: 'HF-0001', capacity: 60 }, capture: { mode: 'peak' } }],
    });
    return this.recordings.record(id, { settings: () => settings, isStreaming: () => true, state: () => null, captureState: () => null, wallOffsetMs: () => 0 }, sink, options);
  }

  instruments(): readonly InstrumentInfo[] {
    return this.instrumentList;
  }

  channels(): readonly ChannelInfo[] {
    return this.channelList;
  }

  scanners(): readonly ScannerInfo[] {
    return this.scannerList;
  }

  liveTorque(id: string): number | null {
    return this.#live.get(id) ?? null;
  }

  toWallMs(monoMs: number): number {
    return monoMs - this.#clock.monoMs() + this.#clock.wallMs();
  }

  async command(command: ChannelCommand): Promise<unknown> {
    if (!this.channelList.some((info) => info.id === command.channel)) throw new TorsiondError('CHANNEL_UNKNOWN', `there is no channel "${command.channel}"`);
    this.commands.push(command);
    return this.onCommand(command);
  }

  scan(code: string, source: string): void {
    this.scans.push({ code, source });
  }

  counters(): ReadonlyMap<string, number> {
    return this.counterMap;
  }

  /** Stores a reading and announces it, as the daemon does after the commit. */
  take(changes: Partial<Reading> = {}): StoredReading {
    const stored = this.store.add(reading(this.store.stored.length + 1, changes));
    this.announce(stored);
    return stored;
  }

  announce(stored: StoredReading): void {
    this.events$.next({ type: 'reading.stored', at: new Date(stored.storedAtMs).toISOString(), seq: stored.reading.seq ?? 0, reading: stored.reading });
  }

  /** The next samples of a channel. */
  sample(torque: Float64Array, changes: Partial<SampleBlock> = {}): void {
    const id = changes.channel ?? 'bench-a/1';
    const firstIndex = changes.firstIndex ?? this.#next.get(id) ?? 0;
    this.#next.set(id, firstIndex + torque.length);
    this.#live.set(id, torque[torque.length - 1] ?? 0);
    const rateHz = changes.rateHz ?? 1_000;
    this.samples$.next({
      channel: id, epoch: 1, gap: null, startMs: this.#clock.monoMs(), spacingMs: 1_000 / rateHz, timeEstimated: false, unit: null,
      device: torque, status: null, torque, conditioning: { unit: 'N.m', calibration: { kind: 'none' }, zero: 0, sign: 1 },
      ...changes, firstIndex, rateHz,
    });
  }
}

export function instrument(id: string, changes: Partial<InstrumentInfo> = {}): InstrumentInfo {
  return {
    id, title: `Bench ${id}`, state: 'streaming', since: new Date(T0).toISOString(), fault: null, link: 'memory', driver: 'ascii-lines',
    epoch: 1, identity: null, simulated: true, ...changes,
  };
}

export function scanner(id: string, changes: Partial<ScannerInfo> = {}): ScannerInfo {
  return { id, title: `Scanner ${id}`, state: 'connected', since: new Date(T0).toISOString(), fault: null, link: '/dev/made-up', ...changes };
}

export function channel(id: string, index: number, changes: Partial<ChannelInfo> = {}): ChannelInfo {
  return {
    index, id, title: `Channel ${id}`, instrument: id.split('/')[0]!, state: 'armed', settings: CaptureSettings.parse({ mode: 'peak' }),
    transducer: { serialNumber: 'HF-0001', capacity: 60, resolution: 0.01, calibrationDue: null, overdue: false }, sampleRateHz: 1_000, ...changes,
  };
}

export function reading(n: number, changes: Partial<Reading> = {}): Reading {
  return {
    type: 'reading', id: `reading-${n}`, seq: null, source: null, channel: 'bench-a/1', epoch: 1, mode: 'peak', value: 40 + n / 1_000, unit: 'N.m',
    direction: 'cw', maximum: 41 + n / 1_000, startedAt: new Date(T0 + n * 1_000).toISOString(), durationMs: 900, target: 40, low: 38, high: 42,
    verdict: 'within', uncertainty: null, sampleRateHz: 1_000, cutoffHz: null, flags: ['simulated'], traceId: `trace-${n}`, ...changes,
  };
}
