/** What sessions of drivers that only listen have in common: events in order, the beginning, the end, and the runs between. */
import { Subject, type Observable } from 'rxjs';
import { TorsiondError } from '../../shared/errors.ts';
import type { DriverContext, DriverEvent } from '../api.ts';
import type { FrameSink, Framer } from '../framing/framer.ts';
import type { ByteChunk } from '../links/link.ts';
import { RunCollector } from './run-collector.ts';
import { stopOnce } from './session-parts.ts';

export interface StreamedSessionOptions {
  readonly context: Pick<DriverContext<unknown>, 'link' | 'signal'>;
  readonly channels: number;
  readonly framer: Framer;
  /** What the frames mean, told to `runs`. */
  readonly sink: (runs: RunCollector) => FrameSink;
  /** Takes a chunk before the framer does. @returns whether it has taken it whole */
  readonly hear?: (chunk: ByteChunk) => boolean;
}

export class StreamedSession {
  readonly events$: Observable<DriverEvent>;
  readonly #options: StreamedSessionOptions;
  readonly #events = new Subject<DriverEvent>();
  readonly #runs: RunCollector;
  readonly #sink: FrameSink;
  #state: 'new' | 'running' | 'over' = 'new';
  /** Arrival of the present chunk. */
  #atMs = 0;
  /** Arrival of the chunk before. */
  #earlierMs = Number.NEGATIVE_INFINITY;
  /** Of the last event: times never go back. */
  #toldMs = Number.NEGATIVE_INFINITY;

  constructor(options: StreamedSessionOptions) {
    this.#options = options;
    this.events$ = this.#events.asObservable();
    this.#runs = new RunCollector(options.channels, this.where, (event) => this.#tell(event));
    this.#sink = this.#timed(options.sink(this.#runs));
  }

  get where(): string {
    return this.#options.context.link.label;
  }

  get faults(): number {
    return this.#runs.faults;
  }

  get isRunning(): boolean {
    return this.#state === 'running';
  }

  /** Begins to listen. @throws TorsiondError DEVICE_TIMEOUT when starting was given up already */
  begin(): void {
    if (this.#state !== 'new') throw new TorsiondError('INTERNAL', 'a driver session starts once', { where: this.where });
    this.assertWanted();
    this.#state = 'running';
    const { link } = this.#options.context;
    void link.ended.then(() => this.finish());
    link.listen((chunk) => this.#take(chunk));
  }

  /** @throws TorsiondError DEVICE_TIMEOUT when starting was given up */
  assertWanted(): void {
    if (this.#options.context.signal.aborted) throw new TorsiondError('DEVICE_TIMEOUT', 'starting was given up', { where: this.where });
  }

  /** @throws TorsiondError LINK_CLOSED */
  assertRunning(): void {
    if (this.#state !== 'running') throw new TorsiondError('LINK_CLOSED', 'the instrument is not connected', { where: this.where });
  }

  /** `stop` of the driver's session, which sends this command while the device may still hear it. */
  stopOnce(command: () => Uint8Array | undefined): () => Promise<void> {
    return stopOnce(this.#options.context.link, { isRunning: () => this.isRunning, finish: () => this.finish() }, command);
  }

  finish(): void {
    if (this.#state === 'over') return;
    this.#state = 'over';
    this.#options.framer.reset();
    this.#events.complete();
  }

  #take(chunk: ByteChunk): void {
    if (this.#state !== 'running' || this.#options.hear?.(chunk) === true) return;
    this.#atMs = chunk.atMs;
    this.#runs.begin(chunk.atMs);
    this.#options.framer.push(chunk.data, this.#sink);
    this.#runs.end();
    this.#earlierMs = chunk.atMs;
  }

  /** Frames that were whole before this chunk keep their own time: told with it, the last before a hole would lie behind it. */
  #timed(sink: FrameSink): FrameSink {
    return {
      ...sink,
      frames: (bytes, bounds, count, early = 0) => {
        if (early > 0) {
          this.#runs.begin(Math.max(this.#earlierMs, this.#toldMs));
          sink.frames(bytes, bounds, early);
          this.#runs.end();
          this.#runs.begin(this.#atMs);
        }
        if (count > early) sink.frames(bytes, early > 0 ? bounds.subarray(2 * early) : bounds, count - early);
      },
    };
  }

  #tell(event: DriverEvent): void {
    this.#toldMs = event.atMs;
    this.#events.next(event);
  }
}
