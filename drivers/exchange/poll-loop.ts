/**
 * Asks a device round after round. A round is a list of steps, each a question that gives samples of some channels.
 *
 * With a period, rounds begin at even times counted from the first; a time that passes while a round is still under way
 * is not queued: the newest such time is taken up when the line is free, those before it are missing samples. Without a
 * period a round follows the last at once, but not sooner than 1 ms after it began.
 *
 * Between questions jobs get their turn: commands, and what is asked after a fault.
 */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { AskNote, AskNotes } from '../links/link.ts';
import type { Exchange, Outcome, Question } from './exchange.ts';
import { FASTEST_POLL_HZ } from './poll-options.ts';

/** How a device with one converter is brought to the input of a step. */
export interface InputSelection<Frame> {
  readonly question: Question<Frame>;
  /** The device confirms; else it says nothing, and nobody knows whether it heard. */
  readonly isAnswered: boolean;
  /** Until then it may still show the old input, ms. */
  readonly settleMs: number;
}

export interface PollStep<Frame> {
  /** Sent before each question, so that nothing in between can have changed the input; without it there is nothing to select. */
  readonly select?: InputSelection<Frame>;
  /** Of the next asking: a transaction number may change. */
  question(): Question<Frame>;
  /** Told of each asking. `false`: the answer was no good, what follows it cannot be trusted. */
  take(outcome: Outcome<Frame>): boolean;
  /** Samples of this step's channels that were never asked for, because the device was given a rest. */
  skip(missing: number, error: TorsiondError): void;
}

export interface PollLoopOptions<Frame> {
  readonly exchange: Exchange<Frame>;
  readonly clock: Clock;
  /** Distance of rounds, ms; null: as fast as answers come. */
  readonly periodMs: number | null;
  readonly steps: readonly PollStep<Frame>[];
  /** Where it is written down what was asked and what failed. */
  readonly notes?: AskNotes | undefined;
  /** For messages. */
  readonly where: string;
  /** Rounds that there was no time for. */
  readonly onMissed: (rounds: number, error: TorsiondError) => void;
}

/** One thing to say or to ask between polls. */
export type Job<Frame> =
  | { readonly kind: 'ask'; readonly question: Question<Frame>; readonly done: (outcome: Outcome<Frame>) => void }
  | { readonly kind: 'tell'; readonly bytes: Uint8Array; readonly done: (error: TorsiondError | null) => void };

/** More jobs than this wait for nothing: the device does not answer. */
const JOBS_MAX = 16;
const LEAST_PERIOD_MS = 1_000 / FASTEST_POLL_HZ;
/** A question that failed so often in a row is asked only so often, so that one dead device does not stop the others. */
const TIRED_FAILURES = 3;
const TIRED_PAUSE_MS = 1_000;
/** Rounds over which the usual distance is taken, where no period is set. */
const USUAL_ROUNDS = 16;

interface StepState<Frame> {
  readonly step: PollStep<Frame>;
  failures: number;
  restsUntilMs: number;
}

export class PollLoop<Frame> {
  readonly #options: PollLoopOptions<Frame>;
  readonly #steps: readonly StepState<Frame>[];
  readonly #jobs: Job<Frame>[] = [];
  /** The job that the device is doing. */
  #job: Job<Frame> | null = null;
  #isPolling = false;
  #isStopped = false;
  /** Steps of the present round that have been asked; all of them: no round is under way. */
  #next: number;
  /** Its input is selected; its question is what leaves next. */
  #selected: StepState<Frame> | null = null;
  /** In a replay: a selection that the device does not answer, over when the question follows. */
  #isSelectionOpen = false;
  #originMs = 0;
  #slot = -1;
  #roundMs = Number.NEGATIVE_INFINITY;
  #usualMs: number | null = null;
  #roundFailed = false;
  #isTaking = false;
  #cancelTimer: (() => void) | null = null;

  constructor(options: PollLoopOptions<Frame>) {
    this.#options = options;
    this.#steps = options.steps.map((step) => ({ step, failures: 0, restsUntilMs: Number.NEGATIVE_INFINITY }));
    this.#next = this.#steps.length;
    if (options.exchange.isReplay) options.notes!.follow!((note) => this.#follow(note));
    else options.exchange.onFree = () => this.#go();
  }

  /** Begins to poll; before, only jobs are done. */
  start(): void {
    if (this.#isPolling || this.#isStopped) return;
    this.#isPolling = true;
    this.#go();
  }

  stop(): void {
    this.#isStopped = true;
    this.#cancelTimer?.();
    this.#cancelTimer = null;
    this.#options.exchange.stop();
    const stopped = new TorsiondError('LINK_CLOSED', 'the instrument is not connected any more', { where: this.#options.where });
    for (const job of [...(this.#job ? [this.#job] : []), ...this.#jobs.splice(0)]) refuse(job, stopped, this.#options.clock.monoMs());
  }

  /** Does the job when the line is free, before the next poll. @throws TorsiondError LIMIT_REACHED, LINK_CLOSED */
  add(job: Job<Frame>): void {
    if (this.#isStopped) throw new TorsiondError('LINK_CLOSED', 'the instrument is not connected', { where: this.#options.where });
    if (this.#jobs.length >= JOBS_MAX) throw new TorsiondError('LIMIT_REACHED', `${JOBS_MAX} commands wait for the device already`, { where: this.#options.where });
    this.#jobs.push(job);
    this.#go();
  }

  /** As a promise. Rejects with what failed, LINK_CLOSED after a stop. */
  ask(question: Question<Frame>): Promise<Frame> {
    return new Promise((resolve, reject) => {
      this.add({ kind: 'ask', question, done: (outcome) => (outcome.kind === 'answered' ? resolve(outcome.frame) : reject(outcome.error)) });
    });
  }

  tell(bytes: Uint8Array): Promise<void> {
    return new Promise((resolve, reject) => {
      this.add({ kind: 'tell', bytes, done: (error) => (error ? reject(error) : resolve()) });
    });
  }

  #go(): void {
    const { exchange } = this.#options;
    if (exchange.isReplay) return;
    while (!this.#isStopped && !this.#isTaking && exchange.isFree) {
      const selected = this.#selected;
      // Nothing may come between the selection of an input and the question for its value.
      const job = selected ? undefined : this.#jobs.shift();
      if (selected) this.#askStep(selected);
      else if (job) this.#do(job);
      else if (!this.#isPolling || !this.#poll()) return;
    }
  }

  #do(job: Job<Frame>): void {
    const { exchange } = this.#options;
    this.#job = job;
    const bytes = job.kind === 'ask' ? job.question.bytes : job.bytes;
    this.#note((atMs) => ({ kind: 'asked', atMs, step: null, bytes }));
    if (job.kind === 'ask') {
      exchange.ask(job.question, this.#jobDone(job));
      return;
    }
    exchange.tell(job.bytes, (error) => {
      this.#job = null;
      job.done(error);
    });
  }

  #jobDone(job: Job<Frame> & { kind: 'ask' }): (outcome: Outcome<Frame>) => void {
    return (outcome) => {
      this.#job = null;
      this.#noteFailure(outcome);
      job.done(outcome);
    };
  }

  #note(make: (atMs: number) => AskNote): void {
    const { notes, clock, exchange } = this.#options;
    if (notes && !exchange.isReplay) notes.write(make(clock.monoMs()));
  }

  #noteFailure(outcome: Outcome<Frame>): void {
    if (outcome.kind === 'failed') this.#note((atMs) => ({ kind: 'failed', atMs, code: outcome.error.code, message: outcome.error.message }));
  }

  /** Does in a replay what was done then. */
  #follow(note: AskNote): void {
    if (this.#isStopped) return;
    const { exchange, where } = this.#options;
    if (note.kind === 'missed') return this.#tellMissed(note.rounds);
    if (note.kind === 'rested') {
      const state = this.#steps[note.step];
      if (state) this.#skip(state);
      return;
    }
    if (note.kind === 'asked') this.#isSelectionOpen = false;
    if (exchange.isAwaiting) {
      const failure = note.kind === 'failed' ? note : { code: 'DEVICE_TIMEOUT' as const, message: 'given up' };
      exchange.fail(new TorsiondError(failure.code, failure.message, { where }));
    }
    if (note.kind === 'asked' && exchange.isFree) this.#askAgain(note.step, note.bytes);
  }

  #askAgain(step: number | null, bytes: Uint8Array): void {
    const { exchange } = this.#options;
    const state = step === null ? undefined : this.#steps[step];
    if (state?.step.select && isSame(state.step.select.question, bytes)) return this.#selectAgain(state.step, state.step.select);
    if (state) return exchange.ask(state.step.question(), (outcome) => void state.step.take(outcome), bytes);
    const at = this.#jobs.findIndex((job) => (job.kind === 'ask' ? isSame(job.question, bytes) : Buffer.compare(job.bytes, bytes) === 0));
    const job = at < 0 ? undefined : this.#jobs.splice(at, 1)[0];
    if (job?.kind === 'tell') return job.done(null);
    if (!job) {
      // A person's command, or what belonged to it: its answer is nobody's.
      return exchange.ask({ bytes, timeoutMs: 0, name: 'a command', accepts: () => true }, () => {});
    }
    this.#job = job;
    exchange.ask(job.question, this.#jobDone(job), bytes);
  }

  #selectAgain(step: PollStep<Frame>, { question, isAnswered }: InputSelection<Frame>): void {
    this.#isSelectionOpen = !isAnswered;
    const silent = { ...question, accepts: () => false };
    this.#options.exchange.ask(isAnswered ? question : silent, (outcome) => {
      // The question that followed ended it; a failure of its own was noted before.
      const isOver = !isAnswered && !this.#isSelectionOpen;
      if (outcome.kind === 'failed' && !isOver) step.take(outcome);
    });
  }

  /** @returns false when there is nothing to ask now */
  #poll(): boolean {
    if (this.#next >= this.#steps.length && !this.#beginRound()) return false;
    const { clock } = this.#options;
    const state = this.#steps[this.#next]!;
    this.#next++;
    const step = this.#next - 1;
    if (clock.monoMs() < state.restsUntilMs) {
      this.#note((atMs) => ({ kind: 'rested', atMs, step }));
      this.#skip(state);
      return true;
    }
    if (state.step.select) this.#select(state, state.step.select);
    else this.#askStep(state);
    return true;
  }

  #askStep(state: StepState<Frame>): void {
    this.#selected = null;
    const question = state.step.question();
    this.#note((atMs) => ({ kind: 'asked', atMs, step: this.#steps.indexOf(state), bytes: question.bytes }));
    this.#options.exchange.ask(question, (outcome) => this.#take(state, outcome));
  }

  /** What could not be selected is not asked for. */
  #select(state: StepState<Frame>, { question, isAnswered, settleMs }: InputSelection<Frame>): void {
    const { exchange, clock } = this.#options;
    this.#note((atMs) => ({ kind: 'asked', atMs, step: this.#steps.indexOf(state), bytes: question.bytes }));
    const done = (outcome: Outcome<Frame> | null): void => {
      if (outcome?.kind === 'failed') return this.#take(state, outcome);
      this.#selected = state;
      exchange.rest(settleMs);
    };
    if (isAnswered) exchange.ask(question, done);
    else exchange.tell(question.bytes, (error) => done(error && { kind: 'failed', error, atMs: clock.monoMs() }));
  }

  #skip(state: StepState<Frame>): void {
    state.step.skip(1, new TorsiondError('DEVICE_TIMEOUT', `did not answer ${TIRED_FAILURES} times in a row and is asked once a second`, { where: this.#options.where }));
  }

  #take(state: StepState<Frame>, outcome: Outcome<Frame>): void {
    this.#noteFailure(outcome);
    // Jobs that the step adds must not leave before it is known whether the line has to fall silent first.
    this.#isTaking = true;
    const isGood = state.step.take(outcome);
    this.#isTaking = false;
    if (outcome.kind === 'answered') {
      state.failures = 0;
      if (!isGood) this.#options.exchange.drain();
    } else {
      state.failures++;
      // With one question there is nobody to spare.
      if (state.failures >= TIRED_FAILURES && this.#steps.length > 1) state.restsUntilMs = this.#options.clock.monoMs() + TIRED_PAUSE_MS;
    }
    if (!isGood) this.#roundFailed = true;
  }

  /** @returns false when it is too early; a timer then comes back */
  #beginRound(): boolean {
    const { clock, periodMs } = this.#options;
    const nowMs = clock.monoMs();
    if (this.#slot < 0) this.#originMs = nowMs;
    const dueMs = periodMs === null ? this.#roundMs + LEAST_PERIOD_MS : this.#originMs + (this.#slot + 1) * periodMs;
    // A timer may come a hair early.
    if (nowMs < dueMs - 1e-3) {
      this.#cancelTimer ??= clock.after(dueMs - nowMs, () => {
        this.#cancelTimer = null;
        this.#go();
      });
      return false;
    }
    if (periodMs === null) this.#countFreeRound(nowMs);
    else this.#countSlot(nowMs, periodMs);
    this.#roundMs = nowMs;
    this.#roundFailed = false;
    this.#next = 0;
    return true;
  }

  #countSlot(nowMs: number, periodMs: number): void {
    const slot = Math.max(this.#slot + 1, Math.floor((nowMs - this.#originMs) / periodMs + 1e-6));
    this.#miss(slot - this.#slot - 1);
    this.#slot = slot;
  }

  /** What a failure cost is counted in usual distances, so that the count of samples stays true to time. */
  #countFreeRound(nowMs: number): void {
    const tookMs = nowMs - this.#roundMs;
    if (!Number.isFinite(tookMs)) return;
    if (this.#roundFailed) {
      if (this.#usualMs !== null) this.#miss(Math.round(tookMs / this.#usualMs) - 1);
    } else {
      this.#usualMs = this.#usualMs === null ? tookMs : this.#usualMs + (tookMs - this.#usualMs) / USUAL_ROUNDS;
    }
  }

  #miss(rounds: number): void {
    if (rounds <= 0) return;
    this.#note((atMs) => ({ kind: 'missed', atMs, rounds }));
    this.#tellMissed(rounds);
  }

  #tellMissed(rounds: number): void {
    this.#options.onMissed(rounds, new TorsiondError('POLL_MISSED', `no time to ask ${rounds === 1 ? 'once' : `${rounds} times`}: the device still answered, or was given time to fall silent`, { where: this.#options.where }));
  }
}

function refuse<Frame>(job: Job<Frame>, error: TorsiondError, atMs: number): void {
  if (job.kind === 'ask') job.done({ kind: 'failed', error, atMs });
  else job.done(error);
}

function isSame<Frame>(question: Question<Frame>, bytes: Uint8Array): boolean {
  return question.isSame ? question.isSame(bytes) : Buffer.compare(question.bytes, bytes) === 0;
}
