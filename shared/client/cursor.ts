/** Decides for each stored reading whether the application has seen it. Pure; the heart of "no reading missed or doubled". */

export type CursorStep =
  /** The next one: hand it over. */
  | { readonly kind: 'deliver' }
  /** Seen before: drop it. */
  | { readonly kind: 'repeated' }
  /** Ahead of readings that were asked for: drop it, it comes again behind them. */
  | { readonly kind: 'early' }
  /** Readings between are missing: ask for everything since `since`, drop this one, it will come again. */
  | { readonly kind: 'ask-again'; readonly since: number }
  /** Asked already and still not there: the gateway does not have them. Hand this one over and tell of the hole. */
  | { readonly kind: 'deliver-after-hole'; readonly from: number; readonly to: number };

export class ReadingCursor {
  #seen: number | null;
  /** Sequence number after which a request for the missing ones has been answered. */
  #askedSince: number | null = null;
  #answered = false;

  /** @param seen last sequence number the application has, or null when it takes what is new from now on */
  constructor(seen: number | null) {
    this.#seen = seen;
  }

  get seen(): number | null {
    return this.#seen;
  }

  /**
   * Told at every greeting of the gateway.
   * @returns true when the gateway's last number is lower than what was seen: its store is another one, and all of
   *   its readings are new to the application
   */
  greet(lastSeq: number, recent: number): boolean {
    this.#askedSince = null;
    this.#answered = false;
    if (this.#seen === null) {
      this.#seen = Math.max(0, lastSeq - recent);
      return false;
    }
    if (lastSeq >= this.#seen) return false;
    this.#seen = 0;
    return true;
  }

  /** The request that an `ask-again` led to was answered; what is still missing now does not exist. */
  answered(): void {
    if (this.#askedSince !== null) this.#answered = true;
  }

  /** @param holesAreNormal true when only some channels are subscribed, so that numbers are missing by intent */
  take(seq: number, holesAreNormal: boolean): CursorStep {
    const seen = this.#seen ?? seq - 1;
    if (seq <= seen) return { kind: 'repeated' };
    if (seq === seen + 1 || holesAreNormal) {
      this.#advance(seq);
      return { kind: 'deliver' };
    }
    if (this.#askedSince === seen) {
      if (!this.#answered) return { kind: 'early' };
      this.#advance(seq);
      return { kind: 'deliver-after-hole', from: seen + 1, to: seq - 1 };
    }
    this.#askedSince = seen;
    this.#answered = false;
    return { kind: 'ask-again', since: seen };
  }

  #advance(seq: number): void {
    this.#seen = seq;
    if (this.#answered || this.#askedSince === null) {
      this.#askedSince = null;
      this.#answered = false;
    } else {
      this.#askedSince = seq;
    }
  }
}
