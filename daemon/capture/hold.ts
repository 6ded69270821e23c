/** A hold: for so many samples nothing is captured, after a reading or by command. */
export class Hold {
  /** Null: none; Infinity: until armed by hand. */
  #left: number | null = null;
  #isByCommand = false;

  get isOn(): boolean {
    return this.#left !== null;
  }

  get isByCommand(): boolean {
    return this.#isByCommand;
  }

  /** Its samples are over; who holds ends it. */
  get isOver(): boolean {
    return this.#left === 0;
  }

  snapshot() {
    return { left: this.#left, isByCommand: this.#isByCommand };
  }

  restore(state: ReturnType<Hold['snapshot']>): void {
    this.#left = state.left;
    this.#isByCommand = state.isByCommand;
  }

  begin(samples: number, isByCommand = false): void {
    this.#left = samples;
    this.#isByCommand = isByCommand;
  }

  end(): void {
    this.#left = null;
    this.#isByCommand = false;
  }

  /** @returns index after the last of `count` samples that it takes, from `from` on */
  pass(count: number, from: number): number {
    const taken = Math.min(this.#left!, count - from);
    this.#left! -= taken;
    return from + taken;
  }
}
