/**
 * Question and answer on one link: one question under way, never two. Knows no frames: whoever cuts them offers them,
 * and each question says which of them answer it.
 *
 * After a question without an answer the line is drained: what still comes is thrown away until nothing has come for
 * the quiet time. So an answer that is late, but not later than that, is never taken for the answer to the next question.
 */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { ByteLink } from '../links/link.ts';

export interface Question<Frame> {
  readonly bytes: Uint8Array;
  /** From writing to the answer, ms. */
  readonly timeoutMs: number;
  /** For messages: what was asked, as a person would say it. */
  readonly name: string;
  /** Is this frame the answer? Frames that are not are passed over, and counted. */
  accepts(frame: Frame): boolean;
  /** Called as the question is about to leave, when the line is quiet, with its bytes; in a replay, with those that left then. */
  readonly onAsk?: (bytes: Uint8Array) => void;
  /** In a replay: whether those bytes were this question. Default: when they are the same. */
  readonly isSame?: (bytes: Uint8Array) => boolean;
}

export type Outcome<Frame> =
  | { readonly kind: 'answered'; readonly frame: Frame; readonly atMs: number }
  | { readonly kind: 'failed'; readonly error: TorsiondError; readonly atMs: number };

export interface ExchangeOptions {
  readonly link: ByteLink;
  readonly clock: Clock;
  /** Silence that ends a drain, ms. */
  readonly quietMs: number;
  /** Silence kept after an answer before the next question, ms; default 0. */
  readonly pauseMs?: number;
  /** True while the beginning of a frame is kept: a drain does not end in the middle of one. */
  readonly isMidFrame?: () => boolean;
  /** A drain that had to begin ends only now; once for each drain that lasts far longer than the quiet time. */
  readonly onRestless?: () => void;
}

/** A drain this many quiet times long is told: the device talks without being asked. */
const RESTLESS_QUIET_TIMES = 10;
/** The rest of a frame whose beginning came is waited for so many quiet times at most. */
const MID_FRAME_QUIET_TIMES = 5;

interface Asked<Frame> {
  readonly question: Question<Frame>;
  readonly done: (outcome: Outcome<Frame>) => void;
}

export class Exchange<Frame> {
  /** Called whenever the line has become free; the place to ask the next question. */
  onFree: () => void = () => {};
  /** Frames that answered nothing: late, doubled, or sent without being asked. */
  unexpected = 0;
  timeouts = 0;
  readonly #options: ExchangeOptions;
  /** What was asked and when it failed is told by the recording: nothing is written and no time is kept. */
  readonly isReplay: boolean;
  #asked: Asked<Frame> | null = null;
  #isWriting = false;
  #isDraining = false;
  #isPausing = false;
  #isStopped = false;
  #lastHeardMs = Number.NEGATIVE_INFINITY;
  #cancelTimer: () => void = () => {};

  constructor(options: ExchangeOptions) {
    this.#options = options;
    this.isReplay = options.link.notes?.follow !== undefined;
  }

  get isFree(): boolean {
    return this.#asked === null && !this.#isWriting && !this.#isDraining && !this.#isPausing && !this.#isStopped;
  }

  /** True while frames are wanted. */
  get isAwaiting(): boolean {
    return this.#asked !== null;
  }

  /**
   * Asks, and calls `done` once: during the arrival of the answer, or when its time is over. Not after `stop`.
   * @throws TorsiondError INTERNAL when the line is not free
   */
  ask(question: Question<Frame>, done: (outcome: Outcome<Frame>) => void, bytes = question.bytes): void {
    this.#assertFree();
    const { clock } = this.#options;
    question.onAsk?.(bytes);
    this.#asked = { question, done };
    if (this.isReplay) return;
    this.#cancelTimer = clock.after(question.timeoutMs, () => {
      this.timeouts++;
      this.#fail(new TorsiondError('DEVICE_TIMEOUT', `no answer to ${question.name} within ${question.timeoutMs} ms`, { where: this.#options.link.label }));
    });
    this.#write(question.bytes, (error) => {
      if (error) this.#fail(error);
    });
  }

  /** Writes what has no answer. @throws TorsiondError INTERNAL when the line is not free */
  tell(bytes: Uint8Array, done: (error: TorsiondError | null) => void): void {
    this.#assertFree();
    this.#write(bytes, done);
  }

  /** Bytes came, whatever they are. Call before offering what they hold. */
  heard(atMs: number): void {
    if (atMs > this.#lastHeardMs) this.#lastHeardMs = atMs;
  }

  /** @returns whether the frame answered the question under way; `done` has been called then */
  offer(frame: Frame, atMs: number): boolean {
    const asked = this.#asked;
    if (asked === null || !asked.question.accepts(frame)) {
      this.unexpected++;
      return false;
    }
    this.#asked = null;
    this.#cancelTimer();
    this.#pause();
    asked.done({ kind: 'answered', frame, atMs });
    this.#tellFree();
    return true;
  }

  /** The question under way ends here without a usable answer, and the line is drained. */
  fail(error: TorsiondError): void {
    this.#fail(error);
  }

  /** Nothing leaves for so long, whatever comes. Not while a question is under way. */
  rest(ms: number): void {
    if (ms <= 0 || this.#isStopped || this.#isDraining || this.isReplay) return;
    const { clock, pauseMs = 0 } = this.#options;
    this.#cancelTimer();
    this.#isPausing = true;
    this.#cancelTimer = clock.after(Math.max(ms, pauseMs), () => {
      this.#isPausing = false;
      this.#tellFree();
    });
  }

  /** What comes now may belong to an earlier question: waits until the line is quiet. */
  drain(): void {
    if (this.#isStopped || this.#isDraining || this.isReplay) return;
    this.#cancelTimer();
    this.#isPausing = false;
    this.#isDraining = true;
    this.#awaitQuiet(this.#options.clock.monoMs(), false);
  }

  /** Ends everything: no call of `done` or `onFree` after it, no timer left. */
  stop(): void {
    this.#isStopped = true;
    this.#asked = null;
    this.#cancelTimer();
  }

  #assertFree(): void {
    if (!this.isFree) throw new TorsiondError('INTERNAL', 'a question was asked while another was under way', { where: this.#options.link.label });
  }

  #fail(error: TorsiondError): void {
    const asked = this.#asked;
    if (asked === null || this.#isStopped) return;
    this.#asked = null;
    this.#cancelTimer();
    this.drain();
    asked.done({ kind: 'failed', error, atMs: this.#options.clock.monoMs() });
  }

  #write(bytes: Uint8Array, done: (error: TorsiondError | null) => void): void {
    const { link } = this.#options;
    const finish = (error: TorsiondError | null): void => {
      this.#isWriting = false;
      if (this.#isStopped) return;
      done(error);
      this.#tellFree();
    };
    this.#isWriting = true;
    link.write(bytes).then(() => finish(null), (thrown: unknown) => finish(asTorsiondError(thrown, 'LINK_LOST')));
  }

  #pause(): void {
    this.rest(this.#options.pauseMs ?? 0);
  }

  #awaitQuiet(sinceMs: number, isTold: boolean): void {
    const { clock, quietMs, isMidFrame, onRestless } = this.#options;
    const nowMs = clock.monoMs();
    const restMs = Math.max(sinceMs, this.#lastHeardMs) + quietMs - nowMs;
    // Past: the rest of a frame is waited for. In the future it cannot be, whatever the times of chunks say.
    const waitMs = restMs > 0 ? Math.min(restMs, quietMs) : quietMs;
    this.#cancelTimer = clock.after(waitMs, () => {
      const atMs = clock.monoMs();
      const silentMs = atMs - Math.max(sinceMs, Math.min(this.#lastHeardMs, atMs));
      const isMid = (isMidFrame?.() ?? false) && silentMs < MID_FRAME_QUIET_TIMES * quietMs;
      if (silentMs >= quietMs && !isMid) {
        this.#isDraining = false;
        this.#tellFree();
        return;
      }
      const isRestless = !isTold && atMs - sinceMs >= RESTLESS_QUIET_TIMES * quietMs;
      if (isRestless) onRestless?.();
      if (!this.#isStopped) this.#awaitQuiet(sinceMs, isTold || isRestless);
    });
  }

  #tellFree(): void {
    if (this.isFree) this.onFree();
  }
}
