/** What the sessions of all drivers promise beside their samples: start and stop commands, the identity, counters. */
import assert from 'node:assert/strict';
import type { DriverCounters, DriverDefinition, DriverSession, InstrumentIdentity } from '../api.ts';
import type { ByteLink } from '../links/link.ts';
import type { MemoryFarEnd } from '../links/memory-link.ts';
import type { Clause } from './clause.ts';
import { hexText, turn } from './driver-tools.ts';

/** What an author gives of a session's start and end. */
export interface SessionHarness {
  /** Exactly what a session writes once when it starts; left out: not looked at. */
  readonly startCommand?: Uint8Array;
  /** Exactly what a session writes once when it is stopped; left out: not looked at. */
  readonly stopCommand?: Uint8Array;
  /** What `start` gives when the device answers as the harness says; null: with these options nobody is asked. Needed when the driver identifies. */
  readonly identity?: InstrumentIdentity | null;
}

/** A session that is not started, whose device answers as the harness says. */
export interface SessionBench {
  readonly session: DriverSession;
  readonly link: ByteLink;
  readonly far: MemoryFarEnd;
  start(): Promise<InstrumentIdentity | null>;
  /** Lets every vector and a bad one come. */
  feed(): Promise<void>;
}

/** @param letter D or P */
export function sessionClauses<Options>(letter: 'D' | 'P', driver: DriverDefinition<Options>, harness: SessionHarness, bench: (signal: AbortSignal) => SessionBench): readonly Clause[] {
  const { startCommand, stopCommand, identity } = harness;
  const clauses: Clause[] = [];
  if (startCommand ?? stopCommand) {
    clauses.push({ id: `${letter}22`, text: 'the start command is written once at the start, the stop command once at the stop, and neither when the link is gone', check: async () => {
      for (const isGone of [false, true]) {
        const giveUp = new AbortController();
        const { session, link, far, start, feed } = bench(giveUp.signal);
        const tried = triedWrites(link);
        const assertTried = (when: string, starts: number, stops: number): void => {
          assertCount('start', startCommand, tried, when, starts);
          assertCount('stop', stopCommand, tried, when, stops);
        };
        await start();
        assertTried('after start', 1, 0);
        if (isGone) far.unplug();
        else await feed();
        await turn();
        assertTried(isGone ? 'after the loss of the link' : 'while samples come', 1, 0);
        await Promise.all([session.stop(), session.stop()]);
        assertTried(isGone ? 'after stop() behind the loss of the link' : 'after stop()', 1, isGone ? 0 : 1);
        giveUp.abort();
        for (let i = 0; i < 5; i++) await turn();
        assertTried('when the signal was aborted behind stop()', 1, isGone ? 0 : 1);
      }
    } });
  }
  if (driver.capabilities.identifies) {
    clauses.push({ id: `${letter}23`, text: 'start gives the identity that the device answers', check: async () => {
      if (identity === undefined) throw new Error(`the driver ${driver.id} declares that it identifies; give "identity", or null when these options ask nobody`);
      const { session, start } = bench(new AbortController().signal);
      const came = await start();
      assert.deepEqual(came, identity, `start was to give ${JSON.stringify(identity)}, but gave ${JSON.stringify(came)}`);
      await session.stop();
    } });
  }
  clauses.push({ id: `${letter}24`, text: 'counters are whole numbers that only grow, and frames are counted', check: async () => {
    const { session, start, feed } = bench(new AbortController().signal);
    let before: DriverCounters = { frames: 0, faults: 0, discardedBytes: 0 };
    const look = (when: string): void => {
      const now = session.counters();
      for (const name of COUNTERS) {
        assert.ok(Number.isSafeInteger(now[name]) && now[name] >= before[name], `counters().${name} was to be a whole number of at least ${before[name]} ${when}, but is ${now[name]}`);
      }
      before = { ...now };
    };
    look('before the start');
    await start();
    look('after the start');
    for (let i = 0; i < 2; i++) {
      await feed();
      look('after samples');
    }
    assert.ok(before.frames > 0, 'counters().frames was to count the frames that came, but is 0');
    await session.stop();
    look('after stop()');
  } });
  return clauses;
}

const COUNTERS = ['frames', 'faults', 'discardedBytes'] as const;

/** From now on every message that is handed to the link, those that it refuses included. */
function triedWrites(link: ByteLink): readonly Uint8Array[] {
  const tried: Uint8Array[] = [];
  const write = link.write.bind(link);
  Object.assign(link, { write: (data: Uint8Array) => {
    tried.push(new Uint8Array(data));
    return write(data);
  } });
  return tried;
}

const times = (count: number): string => ['never', 'once'][count] ?? `${count} times`;

function assertCount(name: string, command: Uint8Array | undefined, tried: readonly Uint8Array[], when: string, wanted: number): void {
  if (command === undefined) return;
  const count = tried.filter((message) => Buffer.compare(message, command) === 0).length;
  assert.equal(count, wanted, `${when} the ${name} command (${hexText(command)}) was to have been written ${times(wanted)}, but was ${times(count)}; written was ${tried.slice(-8).map(hexText).join(', ') || 'nothing'}`);
}
