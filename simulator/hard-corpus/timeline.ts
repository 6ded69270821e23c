/** Puts pulls one after the other with rest between, and makes the record of it. */
import type { SeededRandom } from '../random.ts';
import { record, type Applied, type Channel, type Named } from './channel.ts';
import { drawSigma, lastsS, type Bench, type Done } from './draws.ts';
import type { HardRecord } from './record.ts';

/** One family: from its own chance to a record. */
export type FamilyDraw = (named: Named, random: SeededRandom) => HardRecord;

export type Placing = Partial<Pick<Applied, 'expected' | 'isClean' | 'isLost' | 'sign'>> & { readonly click?: boolean | null };

/** What is known of a pull when it is put down: a trip is a click. */
export function applied(done: Done, atS: number, placing: Placing = {}): Applied {
  return { atS, sign: 1, torque: done.torque, facts: done.facts, click: done.facts.clickTorque !== null, ...placing };
}

/** One pull after 0.35 to 0.8 s of rest, and as much rest after it. */
export function single(
  named: Named, random: SeededRandom, bench: Bench, done: Done, channel: Partial<Channel> = {}, placing: Placing = {}, tremorFall = 0,
): HardRecord {
  const atS = random.between(0.35, 0.8);
  return record(named, {
    rateHz: bench.rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: drawSigma(bench, random, [done]),
    settings: { mode: 'first-peak' }, lastsS: atS + lastsS(done) + random.between(0.4, 0.8), ...channel,
  }, [applied(done, atS, { sign: random.happens(0.25) ? -1 : 1, ...placing })], random, tremorFall);
}

/** Several pulls with rest between. */
export function several(
  named: Named, random: SeededRandom, bench: Bench, dones: readonly Done[], { afterS = 0, ...channel }: Partial<Channel> & { afterS?: number } = {},
  placing: Placing = {}, restS: readonly [number, number] = [0.5, 1.2],
): HardRecord {
  let t = random.between(0.4, 0.8);
  const all: Applied[] = [];
  for (const done of dones) {
    all.push(applied(done, t, placing));
    t += lastsS(done) + random.between(...restS);
  }
  return record(named, {
    rateHz: bench.rateHz, capacity: bench.capacity, bits: random.integer(14, 18), sigma: drawSigma(bench, random, dones),
    settings: { mode: 'first-peak' }, lastsS: t + afterS, ...channel,
  }, all, random);
}
