/** Measures for clauses about memory and time. Each compares with something measured in the same run, never with a clock on the wall. */
import assert from 'node:assert/strict';
import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';
import { systemClock } from '../../shared/clock.ts';

const CYCLES = 200;
const WARM_UP_CYCLES = 50;
/** What compilers and caches of the engine may add: half a kilobyte for each cycle. The buffers of one session are larger. */
const NOISE_BYTES = 512 * CYCLES;
const TRIES = 4;
/** The last one may still lie on the stack. */
const STILL_HELD = 2;

/**
 * Runs `cycle` often: what it gives must be collectable afterwards, and the memory in use must be what it was before, in
 * one of a few tries.
 */
export async function assertNoGrowth(cycle: () => Promise<object>): Promise<void> {
  const collect = garbageCollector();
  const usedBytes = async (): Promise<number> => {
    // What a weak reference was made to stays until the job is over, and buffers are given back a little later than objects.
    for (let i = 0; i < 3; i++) {
      await new Promise((resolve) => setImmediate(resolve));
      collect();
    }
    const { heapUsed, arrayBuffers } = process.memoryUsage();
    return heapUsed + arrayBuffers;
  };
  for (let i = 0; i < WARM_UP_CYCLES; i++) await cycle();
  let least = Number.POSITIVE_INFINITY;
  let held = 0;
  for (let attempt = 0; attempt < TRIES && (least > NOISE_BYTES || held > STILL_HELD); attempt++) {
    const made: WeakRef<object>[] = [];
    const before = await usedBytes();
    for (let i = 0; i < CYCLES; i++) made.push(new WeakRef(await cycle()));
    least = Math.min(least, await usedBytes() - before);
    held = made.filter((one) => one.deref() !== undefined).length;
  }
  assert.ok(held <= STILL_HELD, `${held} of ${CYCLES} sessions are still held after their stop`);
  assert.ok(least <= NOISE_BYTES, `${Math.round(least / 1024)} KiB more after ${CYCLES} starts and stops`);
}

/** Of the process when it was started with --expose-gc; else the engine is asked for it here. */
function garbageCollector(): () => void {
  const given: unknown = Reflect.get(globalThis, 'gc');
  if (typeof given === 'function') return () => void Reflect.apply(given, undefined, []);
  setFlagsFromString('--expose-gc');
  const found: unknown = runInNewContext('gc');
  if (typeof found !== 'function') throw new Error('this engine cannot be asked to collect garbage; start it with --expose-gc');
  return () => void Reflect.apply(found, undefined, []);
}

/** So many passes at least before a driver is called slow; until then compilers are at work, and others on the machine. */
const LEAST_PASSES = 5;
const LONGEST_MS = 2_500;

/**
 * How much longer the driver works on the chunks than a plain loop that makes text and numbers of the same bytes: the
 * least of several passes in turns, because other work on the machine only adds. Ends as soon as it is not above the limit.
 * @param pass takes all chunks once, synchronously
 */
export function timesPlainLoop(limit: number, chunks: readonly Uint8Array[], pass: (chunks: readonly Uint8Array[]) => void): number {
  let [driver, plain] = [Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY];
  const endMs = systemClock.monoMs() + LONGEST_MS;
  for (let i = 0; i < LEAST_PASSES || (driver > limit * plain && systemClock.monoMs() < endMs); i++) {
    driver = Math.min(driver, timeMs(() => pass(chunks)));
    plain = Math.min(plain, timeMs(() => plainLoop(chunks)));
  }
  return driver / plain;
}

export function timeMs(work: () => void): number {
  const before = systemClock.monoMs();
  work();
  return systemClock.monoMs() - before;
}

/** Eight bytes at a time to text and to a number, as a script would that takes a serial line apart. @returns their sum */
export function plainLoop(chunks: readonly Uint8Array[]): number {
  let sum = 0;
  for (const chunk of chunks) {
    for (let at = 0; at < chunk.length; at += 8) {
      const number = Number(Buffer.from(chunk.buffer, chunk.byteOffset + at, Math.min(8, chunk.length - at)).toString('latin1'));
      if (!Number.isNaN(number)) sum += number;
    }
  }
  return sum;
}
