/** The last seconds of a channel as pairs of lowest and highest torque, oldest first. Bounded; no peak is thinned out. */
export interface TapePair {
  readonly atMs: number;
  readonly spacingMs: number;
  readonly low: number;
  readonly high: number;
}

export class LiveTape {
  static readonly windowMs = 10_000;
  /** More than this within the window drops the oldest. */
  static readonly limit = 4_000;
  #pairs: TapePair[] = [];
  /** Counts the changes, so that a drawing knows whether it is up to date. */
  revision = 0;

  /** @param minMax min, max, min, max … */
  add(startMs: number, spacingMs: number, minMax: readonly number[]): void {
    if (!Number.isFinite(startMs)) return;
    for (let i = 0; i + 1 < minMax.length; i += 2) {
      this.#pairs.push({ atMs: startMs + (i / 2) * spacingMs, spacingMs, low: minMax[i]!, high: minMax[i + 1]! });
    }
    const newestMs = this.#pairs.at(-1)?.atMs ?? startMs;
    let drop = Math.max(0, this.#pairs.length - LiveTape.limit);
    while (drop < this.#pairs.length && this.#pairs[drop]!.atMs < newestMs - LiveTape.windowMs) drop++;
    if (drop > 0) this.#pairs.splice(0, drop);
    this.revision += 1;
  }

  clear(): void {
    this.#pairs = [];
    this.revision += 1;
  }

  get pairs(): readonly TapePair[] {
    return this.#pairs;
  }
}
