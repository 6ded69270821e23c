/** Lets through so many in a second, with a burst of as many. Plain arithmetic; the caller brings the time. */
export class RateLimit {
  readonly #perSecond: number;
  #left: number;
  #atMs: number;

  constructor(perSecond: number, nowMs: number) {
    this.#perSecond = perSecond;
    this.#left = perSecond;
    this.#atMs = nowMs;
  }

  /** Takes one, or so many; false when there are not as many left. */
  take(nowMs: number, amount = 1): boolean {
    this.#left = Math.min(this.#perSecond, this.#left + ((nowMs - this.#atMs) / 1_000) * this.#perSecond);
    this.#atMs = nowMs;
    if (this.#left < amount) return false;
    this.#left -= amount;
    return true;
  }
}
