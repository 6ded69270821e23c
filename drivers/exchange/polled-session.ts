/** What sessions of drivers that ask have in common: events in order, the beginning, the end, and the loop between. */
import { Subject, type Observable } from 'rxjs';
import type { ErrorCode } from '../../shared/errors.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { DriverContext, DriverEvent } from '../api.ts';
import type { ByteChunk } from '../links/link.ts';
import { RunCollector } from '../values/run-collector.ts';
import { stopOnce } from '../values/session-parts.ts';
import { Exchange } from './exchange.ts';
import { PollLoop, type PollStep } from './poll-loop.ts';

export interface PolledSessionOptions<Frame> {
  readonly context: Pick<DriverContext<unknown>, 'link' | 'clock' | 'signal'>;
  readonly channels: number;
  readonly poll: { readonly rateHz?: number | undefined; readonly quietMs: number; readonly pauseMs?: number };
  readonly steps: readonly PollStep<Frame>[];
  readonly hear: (chunk: ByteChunk) => void;
  readonly isMidFrame: () => boolean;
  /** The session is over: nothing that is kept of a frame counts any more. */
  readonly onFinish?: () => void;
}

export class PolledSession<Frame> {
  readonly events$: Observable<DriverEvent>;
  readonly exchange: Exchange<Frame>;
  readonly loop: PollLoop<Frame>;
  readonly #options: PolledSessionOptions<Frame>;
  readonly #events = new Subject<DriverEvent>();
  readonly #runs: RunCollector;
  #state: 'new' | 'running' | 'over' = 'new';
  #isLinkOver = false;
  #lastAtMs = Number.NEGATIVE_INFINITY;

  constructor(options: PolledSessionOptions<Frame>) {
    const { context, poll } = options;
    this.#options = options;
    this.events$ = this.#events.asObservable();
    this.#runs = new RunCollector(options.channels, context.link.label, (event) => this.#events.next(event));
    this.exchange = new Exchange({
      link: context.link, clock: context.clock, quietMs: poll.quietMs, pauseMs: poll.pauseMs ?? 0, isMidFrame: options.isMidFrame,
      onRestless: () => this.fault(null, 'FRAME_UNREADABLE', 'the device goes on sending without being asked', 0),
    });
    this.loop = new PollLoop({
      exchange: this.exchange, clock: context.clock, notes: context.link.notes, steps: options.steps, where: this.where,
      periodMs: poll.rateHz === undefined ? null : 1_000 / poll.rateHz,
      onMissed: (rounds, error) => this.fault(null, error.code, error.message, rounds),
    });
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
    const { link, signal } = this.#options.context;
    this.assertWanted();
    this.#state = 'running';
    signal.addEventListener('abort', this.#giveUp);
    void link.ended.then(() => {
      this.#isLinkOver = true;
      this.finish();
    });
    link.listen((chunk) => {
      if (this.#state === 'running') this.#options.hear(chunk);
    });
  }

  /** What waiting for an answer ended with, in the words of a start: it was given up, or the connection was lost. */
  startFault(thrown: unknown): unknown {
    if (this.#isLinkOver) return new TorsiondError('LINK_LOST', 'the connection ended before the instrument answered', { where: this.where });
    return this.#options.context.signal.aborted ? given(this.where) : thrown;
  }

  assertWanted(): void {
    if (this.#options.context.signal.aborted) throw given(this.where);
    if (this.#isLinkOver) throw new TorsiondError('LINK_LOST', 'the connection ended before the instrument answered', { where: this.where });
  }

  /** @throws TorsiondError LINK_CLOSED */
  assertRunning(): void {
    if (this.#state !== 'running') throw new TorsiondError('LINK_CLOSED', 'the instrument is not connected', { where: this.where });
  }

  /** Values and faults that came together, at `atMs`; they are told when `gather` returns. */
  tell(atMs: number, gather: (runs: RunCollector) => void): void {
    if (this.#state === 'over') return;
    this.#lastAtMs = Math.max(this.#lastAtMs, atMs);
    this.#runs.begin(this.#lastAtMs);
    gather(this.#runs);
    this.#runs.end();
  }

  /** @param channels the concerned ones; null: all */
  fault(channels: readonly number[] | null, code: ErrorCode, message: string, missing: number, atMs = this.#options.context.clock.monoMs()): void {
    this.tell(atMs, (runs) => {
      if (channels === null || channels.length === this.#options.channels) runs.fault(null, code, message, missing);
      else for (const channel of channels) runs.fault(channel, code, message, missing);
    });
  }

  /** `stop` of the driver's session, which sends this command while the device may still hear it. */
  stopOnce(command: () => Uint8Array | undefined): () => Promise<void> {
    return stopOnce(this.#options.context.link, { isRunning: () => this.isRunning, finish: () => this.finish() }, command);
  }

  finish(): void {
    if (this.#state === 'over') return;
    this.#state = 'over';
    this.#options.context.signal.removeEventListener('abort', this.#giveUp);
    this.loop.stop();
    this.#options.onFinish?.();
    this.#events.complete();
  }

  readonly #giveUp = (): void => this.finish();
}

function given(where: string): TorsiondError {
  return new TorsiondError('DEVICE_TIMEOUT', 'starting was given up', { where });
}
