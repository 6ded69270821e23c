import type { DriverDefinition, DriverEvent, DriverSession } from '../../drivers/api.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../drivers/links/memory-link.ts';
import { ManualClock } from './manual-clock.ts';

/** What a device does with a message: bytes to answer at once, or after a time; null: it says nothing. */
export type DeviceAnswer = string | Uint8Array | null | { readonly afterMs: number; readonly bytes: string | Uint8Array };

export interface PolledBench {
  readonly session: DriverSession;
  readonly far: MemoryFarEnd;
  readonly clock: ManualClock;
  readonly events: DriverEvent[];
  readonly abort: AbortController;
  readonly isComplete: () => boolean;
  /** Moves time on, ms by ms, and lets promises settle after each. */
  pass(ms: number): Promise<void>;
  /** Starts the session and waits for it, moving time on. */
  started(): Promise<Awaited<ReturnType<DriverSession['start']>>>;
  /** Everything written, as text. */
  sent(): string[];
}

/** Lets promises that are due run. */
export const settled = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

/** A session on a link in memory whose far end is a function, and a clock that the test moves. */
export function polledBench<Options>(driver: DriverDefinition<Options>, options: unknown, device: (message: Uint8Array, clock: ManualClock) => DeviceAnswer): PolledBench {
  const clock = new ManualClock();
  const { link, far } = createMemoryLink(clock, 'bench-a');
  const abort = new AbortController();
  const session = driver.createSession({ options: driver.optionsSchema.parse(options), link, clock, signal: abort.signal });
  const events: DriverEvent[] = [];
  let isComplete = false;
  session.events$.subscribe({ next: (event) => events.push(event), complete: () => void (isComplete = true) });
  far.onWrite((message) => {
    const answer = device(message, clock);
    if (answer === null) return;
    if (typeof answer === 'string' || answer instanceof Uint8Array) far.deliver(answer);
    else clock.after(answer.afterMs, () => far.isOpen && far.deliver(answer.bytes));
  });
  const pass = async (ms: number): Promise<void> => {
    for (let passed = 0; passed < ms; passed++) {
      clock.advance(1);
      await settled();
    }
  };
  return {
    session, far, clock, events, abort, pass, isComplete: () => isComplete,
    started: async () => {
      let outcome: { identity: Awaited<ReturnType<DriverSession['start']>> } | { thrown: unknown } | null = null;
      session.start().then((identity) => (outcome = { identity }), (thrown: unknown) => (outcome = { thrown }));
      for (let i = 0; i < 20_000 && outcome === null; i++) {
        await settled();
        if (outcome === null) clock.advance(1);
      }
      if (outcome === null) throw new Error('start did not end');
      const ended = outcome as { identity: Awaited<ReturnType<DriverSession['start']>> } | { thrown: unknown };
      if ('thrown' in ended) throw ended.thrown;
      return ended.identity;
    },
    sent: () => far.written.map((bytes) => Buffer.from(bytes).toString('latin1')),
  };
}

/** `[channel, ...values]` and `[code, channel, missing]`, in order. */
export function told(events: readonly DriverEvent[]): unknown[] {
  return events.map((event) => (event.kind === 'values' ? [event.channel, ...event.values] : [event.error.code, event.channel, event.missing]));
}
