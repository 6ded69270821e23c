/**
 * Wall time of monotonic times. The wall clock may be set, slewed, or go on while the machine sleeps; each jump starts
 * a new stretch with its own offset, and times before it keep the offset they had. Rows are ordered by sequence, never
 * by wall time.
 */
import type { Clock } from '../../shared/clock.ts';

/** A change of the offset by more than this between two looks is a jump; less is the slewing of a time service. */
const JUMP_MS = 100;
/** Less than this is the coarseness of the wall clock, which counts whole milliseconds, and no change. */
const COARSE_MS = 2;
/** The two clocks were read together when not more than this passed between. */
const TOGETHER_MS = 0.5;
const READ_TRIES = 5;
const MAX_STRETCHES = 32;

export interface WallJump {
  /** Positive: the wall clock was set forward, or the machine slept. */
  readonly byMs: number;
  /** Monotonic time at which it was noticed. */
  readonly noticedAtMs: number;
}

/** The offset changed. A jump holds from `fromMs` on; slewing moves the stretch that is in force as a whole. */
export interface WallChange {
  /** Monotonic, ms. */
  readonly fromMs: number;
  /** Wall time minus monotonic time, ms. */
  readonly offsetMs: number;
  readonly isJump: boolean;
}

export type WallMapState = readonly { readonly fromMs: number; readonly offsetMs: number }[];

/** The offsets there have been. No clocks inside: the same changes give the same times, in a replay too. */
export class WallMap {
  /** Oldest first; the last is in force. */
  readonly #stretches: { fromMs: number; offsetMs: number }[];

  constructor(offsetMs: number) {
    this.#stretches = [{ fromMs: -Infinity, offsetMs }];
  }

  /** In force now, ms. */
  get offsetMs(): number {
    return this.#stretches.at(-1)!.offsetMs;
  }

  take({ fromMs, offsetMs, isJump }: WallChange): void {
    if (!isJump) {
      this.#stretches.at(-1)!.offsetMs = offsetMs;
      return;
    }
    this.#stretches.push({ fromMs, offsetMs });
    if (this.#stretches.length > MAX_STRETCHES) {
      this.#stretches.shift();
      this.#stretches[0]!.fromMs = -Infinity;
    }
  }

  snapshot(): WallMapState {
    return this.#stretches;
  }

  restore(state: WallMapState): void {
    this.#stretches.splice(0, Infinity, ...state.map((stretch) => ({ ...stretch })));
  }

  /** Milliseconds since 1970 of a monotonic time, with the offset that was in force then. */
  toWallMs(monoMs: number): number {
    for (let i = this.#stretches.length - 1; i > 0; i--) {
      const stretch = this.#stretches[i]!;
      if (monoMs >= stretch.fromMs) return monoMs + stretch.offsetMs;
    }
    return monoMs + this.#stretches[0]!.offsetMs;
  }
}

export class WallTime {
  readonly #clock: Clock;
  readonly #onJump: (jump: WallJump) => void;
  readonly #onChange: (change: WallChange) => void;
  readonly #map: WallMap;
  #jumps = 0;

  constructor(clock: Clock, onJump: (jump: WallJump) => void = () => {}, onChange: (change: WallChange) => void = () => {}) {
    this.#clock = clock;
    this.#onJump = onJump;
    this.#onChange = onChange;
    this.#map = new WallMap(this.#read().offsetMs);
  }

  get jumps(): number {
    return this.#jumps;
  }

  /** Wall time minus monotonic time, in force now, ms. */
  get offsetMs(): number {
    return this.#map.offsetMs;
  }

  snapshot(): WallMapState {
    return this.#map.snapshot();
  }

  /**
   * Compares the clocks; call it each second or so. Nothing else changes the offset, so that it never changes while
   * samples are on their way through.
   * @returns the jump, if there was one
   */
  look(): WallJump | null {
    const { nowMs, offsetMs, isTogether } = this.#read();
    const byMs = offsetMs - this.#map.offsetMs;
    if (!isTogether || Math.abs(byMs) <= COARSE_MS) return null;
    const change = { fromMs: nowMs, offsetMs, isJump: Math.abs(byMs) > JUMP_MS };
    this.#map.take(change);
    this.#onChange(change);
    if (!change.isJump) return null;
    this.#jumps += 1;
    const jump = { byMs, noticedAtMs: nowMs };
    this.#onJump(jump);
    return jump;
  }

  /** Milliseconds since 1970 of a monotonic time, with the offset that was in force then. */
  toWallMs(monoMs: number): number {
    return this.#map.toWallMs(monoMs);
  }

  /** Both clocks at one moment; where the process was held up between the two, that is said. */
  #read(): { nowMs: number; offsetMs: number; isTogether: boolean } {
    for (let tries = 1; ; tries++) {
      const nowMs = this.#clock.monoMs();
      const wallMs = this.#clock.wallMs();
      const isTogether = this.#clock.monoMs() - nowMs <= TOGETHER_MS;
      if (isTogether || tries === READ_TRIES) return { nowMs, offsetMs: wallMs - nowMs, isTogether };
    }
  }
}
