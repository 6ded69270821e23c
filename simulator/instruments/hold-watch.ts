/** Sees when an operator holds a torque still, as somebody does who then presses a pedal. */
import type { TorqueSource } from './virtual-instrument.ts';

export interface HoldPlan {
  /** Below this the pull is over, N.m. */
  readonly thresholdNm: number;
  /** How long the torque must be still, samples. */
  readonly samples: number;
  readonly onHeld: () => void;
}

/** Further from where it came to rest, it moves. */
const STILL_SHARE = 0.02;

/** The same torque; `onHeld` is called once in each pull. */
export class HoldWatch implements TorqueSource {
  readonly #source: TorqueSource;
  readonly #plan: HoldPlan;
  #restNm = 0;
  #still = 0;
  #isTold = false;

  constructor(source: TorqueSource, plan: HoldPlan) {
    this.#source = source;
    this.#plan = plan;
  }

  get isSaturated(): boolean {
    return this.#source.isSaturated;
  }

  zero(): void {
    this.#source.zero();
  }

  next(): number {
    const value = this.#source.next();
    const magnitude = Math.abs(value);
    if (magnitude < this.#plan.thresholdNm) {
      this.#still = 0;
      this.#isTold = false;
    } else if (Math.abs(magnitude - this.#restNm) > STILL_SHARE * magnitude) {
      this.#restNm = magnitude;
      this.#still = 0;
    } else if (++this.#still >= this.#plan.samples && !this.#isTold) {
      this.#isTold = true;
      this.#plan.onHeld();
    }
    return value;
  }
}
