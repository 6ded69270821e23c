/** One driver that asks, on a link in memory, with a clock that the clauses move: what an author gives, and a session of it. */
import type { DriverDefinition, DriverEvent, DriverSession } from '../api.ts';
import type { ByteLink } from '../links/link.ts';
import { createMemoryLink, type MemoryFarEnd } from '../links/memory-link.ts';
import { asError, startedBy, turn, type CommandHarness, type EventsState, type ExpectedSample } from './driver-tools.ts';
import { ManualClock } from './manual-clock.ts';
import type { SessionHarness } from './session-clauses.ts';

export interface PolledVector extends ExpectedSample {
  /** What the device answers to one poll. */
  readonly answer: (message: Uint8Array) => Uint8Array;
}

export interface PolledHarness<Options> extends SessionHarness {
  readonly driver: DriverDefinition<Options>;
  /** With rateHz 10, timeoutMs 40 and quietMs 40, one question a round. */
  readonly options: Options;
  /** Options that the schema must refuse. */
  readonly wrongOptions: unknown;
  readonly isPoll: (message: Uint8Array) => boolean;
  /** Polls whose answer only shows, while the session starts, that somebody is there. */
  readonly startPolls: number;
  /** The answer to anything else, such as "who are you?"; null: none. */
  readonly other: (message: Uint8Array) => Uint8Array | null;
  /** The first is good on every channel. */
  readonly vectors: readonly PolledVector[];
  /** An answer that holds no sample. */
  readonly bad: (message: Uint8Array) => Uint8Array;
  /** Needed when the driver declares commands. */
  readonly command?: CommandHarness;
}

export const PERIOD_MS = 100;
export const TIMEOUT_MS = 40;

export interface PolledPlan {
  /** Answers poll number n, from 0; default: the vectors, round and round. */
  readonly answer?: (poll: number, message: Uint8Array) => Uint8Array | null;
  readonly delayMs?: (poll: number) => number;
  /** Nobody is there: nothing is answered, not even while the session starts. */
  readonly isDead?: boolean;
  /** Bytes at a time, one a millisecond; default: all at once. */
  readonly pieces?: number;
}

export interface PolledBench {
  readonly session: DriverSession;
  readonly link: ByteLink;
  readonly far: MemoryFarEnd;
  readonly clock: ManualClock;
  readonly events: DriverEvent[];
  readonly state: EventsState & { polls: number; mostOpen: number };
  pass(ms: number): Promise<void>;
}

export function polledBench<Options>(harness: PolledHarness<Options>, plan: PolledPlan = {}, signal = new AbortController().signal): PolledBench {
  const { driver, options, vectors } = harness;
  const vectorAnswer = (poll: number, message: Uint8Array): Uint8Array => vectors[poll % vectors.length]!.answer(message);
  const clock = new ManualClock();
  const { link, far } = createMemoryLink(clock);
  const session = driver.createSession({ options, link, clock, signal });
  const events: DriverEvent[] = [];
  const state = { isComplete: false, failure: null as Error | null, polls: -harness.startPolls, mostOpen: 0 };
  session.events$.subscribe({
    next: (event) => events.push(event),
    error: (thrown: unknown) => {
      state.failure = asError(thrown);
    },
    complete: () => {
      state.isComplete = true;
    },
  });
  const deliver = (bytes: Uint8Array): void => {
    const size = plan.pieces ?? bytes.length;
    for (let at = 0, ms = 0; at < bytes.length; at += size, ms++) {
      const piece = bytes.slice(at, at + size);
      if (ms === 0) far.deliver(piece);
      else clock.after(ms, () => far.isOpen && far.deliver(piece));
    }
  };
  let open = 0;
  far.onWrite((message) => {
    // The device owes an answer until it gives one, or until it is too late to.
    state.mostOpen = Math.max(state.mostOpen, ++open);
    const poll = harness.isPoll(message) ? state.polls++ : null;
    const bytes = poll === null ? harness.other(message) : poll < 0 ? vectors[0]!.answer(message) : (plan.answer ?? vectorAnswer)(poll, message);
    const delayMs = poll === null || poll < 0 ? 0 : plan.delayMs?.(poll) ?? 0;
    if (delayMs === 0) open--;
    else clock.after(Math.min(delayMs, TIMEOUT_MS), () => open--);
    if (bytes === null || plan.isDead) return;
    if (delayMs === 0) deliver(bytes);
    else clock.after(delayMs, () => far.isOpen && deliver(bytes));
  });
  const pass = async (ms: number): Promise<void> => {
    for (let passed = 0; passed < ms; passed++) {
      clock.advance(1);
      await turn();
    }
  };
  return { session, link, far, clock, events, state, pass };
}

export async function startedPolled<Options>(harness: PolledHarness<Options>, plan: PolledPlan = {}): Promise<PolledBench> {
  const made = polledBench(harness, plan);
  await startedBy(made.session, made.clock, 1);
  return made;
}

/** After so many rounds of asking. */
export async function polledRounds<Options>(harness: PolledHarness<Options>, plan: PolledPlan, rounds: number): Promise<PolledBench> {
  const made = await startedPolled(harness, plan);
  // The first round leaves with the end of the start.
  await made.pass(PERIOD_MS * (rounds - 1) + PERIOD_MS / 2);
  return made;
}
