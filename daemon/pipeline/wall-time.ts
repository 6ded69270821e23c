/**
 * Wall time of monotonic times. The wall clock may be set, slewed, or go on while the machine sleeps; each jump starts
 * a new stretch with its own offset, and times before it keep the offset they had. Rows are ordered by sequence, never
 * by wall time.
 */
import type { Clock } from '../../shared/clock.ts';

/** A change of the offset by more than this between two looks is a jump; less is the slewing of a time service. */
const JUMP_MS = 100;
const MAX_STRETCHES = 32;

export interface WallJump {
  /** Positive: the wall clock was set forward, or the machine slept. */
  readonly byMs: number;
  /** Monotonic time at which it was noticed. */
  readonly noticedAtMs: number;
}

export class WallTime {
  readonly #clock: Clock;
  readonly #onJump: (jump: WallJump) => void;
  /** Oldest first; the last is in force. */
  readonly #stretches: { fromMs: number; offsetMs: number }[];
  #jumps = 0;

  constructor(clock: Clock, onJump: (jump: WallJump) => void = () => {}) {
    this.#clock = clock;
    this.#onJump = onJump;
    this.#stretches = [{ fromMs: -Infinity, offsetMs: clock.wallMs() - clock.monoMs() }];
  }

  get jumps(): number {
    return this.#jumps;
  }

  /** Compares the clocks; call it now and then (each second is plenty). @returns the jump, if there was one */
  look(): WallJump | null {
    const nowMs = this.#clock.monoMs();
    const offsetMs = this.#clock.wallMs() - nowMs;
    const current = this.#stretches.at(-1)!;
    const byMs = offsetMs - current.offsetMs;
    if (Math.abs(byMs) <= JUMP_MS) {
      current.offsetMs = offsetMs;
      return null;
    }
    this.#stretches.push({ fromMs: nowMs, offsetMs });
    if (this.#stretches.length > MAX_STRETCHES) {
      this.#stretches.shift();
      this.#stretches[0]!.fromMs = -Infinity;
    }
    this.#jumps += 1;
    const jump = { byMs, noticedAtMs: nowMs };
    this.#onJump(jump);
    return jump;
  }

  /** Milliseconds since 1970 of a monotonic time, with the offset that was in force then. */
  toWallMs(monoMs: number): number {
    this.look();
    for (let i = this.#stretches.length - 1; i > 0; i--) {
      const stretch = this.#stretches[i]!;
      if (monoMs >= stretch.fromMs) return monoMs + stretch.offsetMs;
    }
    return monoMs + this.#stretches[0]!.offsetMs;
  }
}
