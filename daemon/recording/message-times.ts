/**
 * Times of the messages of a connection, back to the monotonic doubles of the live run: nanoseconds of 64 bits minus the
 * distance of the two clocks, in halves of 32 bits. Both differences are exact, so their sum is rounded once, as the
 * conversion of the whole number is; whole numbers of 64 bits would cost an object each.
 */
import { toNanoseconds, type RecordedConnection } from './recording-format.ts';

const HALF = 2 ** 32;

export class MessageTimes {
  readonly #high: number;
  readonly #low: number;

  constructor({ startWallMs, startMonoMs }: Pick<RecordedConnection, 'startWallMs' | 'startMonoMs'>) {
    const wallMinusMono = toNanoseconds(startWallMs) - toNanoseconds(startMonoMs);
    this.#high = Number(wallMinusMono >> 32n);
    this.#low = Number(wallMinusMono & 0xffffffffn);
  }

  /** @param at where the log time stands. @returns ms */
  atMs(view: DataView, at: number): number {
    return ((view.getUint32(at + 4, true) - this.#high) * HALF + (view.getUint32(at, true) - this.#low)) / 1e6;
  }
}
