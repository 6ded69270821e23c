/** One driver that streams, on a link in memory: what an author gives, and a session of it. */
import { getEventListeners } from 'node:events';
import type { DriverDefinition, DriverEvent, DriverSession } from '../api.ts';
import { createMemoryLink, type MemoryFarEnd } from '../links/memory-link.ts';
import { asError, countingClock, type CommandHarness, type EventsState, type ExpectedSample } from './driver-tools.ts';
import type { SessionHarness } from './session-clauses.ts';

export interface DriverVector extends ExpectedSample {
  /** What the device sends for one sample of every channel. */
  readonly bytes: Uint8Array;
}

export interface DriverHarness<Options> extends SessionHarness {
  readonly driver: DriverDefinition<Options>;
  readonly options: Options;
  /** Options that the schema must refuse. */
  readonly wrongOptions: unknown;
  /** Ends whatever went before, so that the next sample is whole. */
  readonly resync: Uint8Array;
  readonly vectors: readonly DriverVector[];
  /** Bytes that hold no sample, delimited like one. */
  readonly bad: Uint8Array;
  /** The good sample after a bad one, where frames count; default: the first vector without a missing value. */
  readonly afterBad?: DriverVector;
  /** Where frames carry a counter: two good frames and how many samples of each channel are lost between them. */
  readonly lost?: { readonly before: Uint8Array; readonly after: Uint8Array; readonly missing: number };
  /** What the device answers to a message, such as "who are you?" while the session starts, or a command; left out: nothing. */
  readonly answer?: (message: Uint8Array) => Uint8Array | null;
  /** Needed when the driver declares commands. */
  readonly command?: CommandHarness;
  /** The fastest that such a device sends, samples per second; default 10 000. */
  readonly fastestHz?: number;
}

export interface StreamBench {
  readonly session: DriverSession;
  readonly far: MemoryFarEnd;
  readonly link: ReturnType<typeof createMemoryLink>['link'];
  readonly events: DriverEvent[];
  readonly state: EventsState;
  readonly timers: () => number;
  readonly listeners: () => number;
}

/** A session on the real clock, not started, whose device answers as the harness says. */
export function streamBench<Options>({ driver, options, answer }: DriverHarness<Options>, signal = new AbortController().signal): StreamBench {
  const { clock, timers } = countingClock();
  const { link, far } = createMemoryLink(clock);
  answerAs(far, answer);
  const session = driver.createSession({ options, link, clock, signal });
  const events: DriverEvent[] = [];
  const state: EventsState = { isComplete: false, failure: null };
  session.events$.subscribe({
    next: (event) => events.push(event),
    error: (thrown: unknown) => {
      state.failure = asError(thrown);
    },
    complete: () => {
      state.isComplete = true;
    },
  });
  return { session, far, link, events, state, timers, listeners: () => getEventListeners(signal, 'abort').length };
}

/** The device answers what it is asked, as soon as the question is written. */
export function answerAs(far: MemoryFarEnd, answer: ((message: Uint8Array) => Uint8Array | null) | undefined): void {
  if (!answer) return;
  far.onWrite((message) => {
    const bytes = answer(message);
    if (bytes !== null) queueMicrotask(() => far.isOpen && far.deliver(bytes));
  });
}
