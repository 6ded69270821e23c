/**
 * Times of another computer's clock as times of ours. Every message says when it was written there; it arrives later,
 * never earlier, so the least late one of the last while shows where the other clock stands. What a message was late by
 * on the network does then not reach the times of the samples. Two quartzes drift apart by tenths of a millisecond a
 * minute: the estimate follows, slowly upwards and at once downwards.
 */

const BIN_MS = 5_000;
const BINS = 8;
/** How fast the estimate may rise; twice what the worst quartzes drift apart. */
const RISE_MS_PER_MS = 0.0005;
/** A clock that is off by more than this since the message before was set, or stood still. */
export const CLOCK_JUMP_MS = 10_000;

export class PageClock {
  /** Least lateness per span, the newest last. */
  #bins: { readonly index: number; leastMs: number }[] = [];
  #offsetMs: number | null = null;
  #notedMs = 0;

  /**
   * Takes note of a message.
   * @param pageMs when it was written, by the other clock
   * @param arrivedMs when it came, by ours; never less than at the call before
   * @returns false when the other clock jumped: nothing it says can be used any more
   */
  note(pageMs: number, arrivedMs: number): boolean {
    const lagMs = arrivedMs - pageMs;
    if (this.#offsetMs !== null && Math.abs(lagMs - this.#offsetMs) > CLOCK_JUMP_MS) return false;
    const index = Math.floor(arrivedMs / BIN_MS);
    const newest = this.#bins.at(-1);
    if (newest?.index === index) newest.leastMs = Math.min(newest.leastMs, lagMs);
    else this.#bins.push({ index, leastMs: lagMs });
    this.#bins = this.#bins.filter((bin) => bin.index > index - BINS);
    const leastMs = Math.min(...this.#bins.map((bin) => bin.leastMs));
    const before = this.#offsetMs;
    this.#offsetMs = before === null || leastMs <= before ? leastMs : Math.min(leastMs, before + (arrivedMs - this.#notedMs) * RISE_MS_PER_MS);
    this.#notedMs = arrivedMs;
    return true;
  }

  /** Our time of one of its times. Only after `note`. */
  toOurs(pageMs: number): number {
    return pageMs + (this.#offsetMs ?? 0);
  }
}
