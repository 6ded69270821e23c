import type { TorqueSource } from '../../simulator/index.ts';

/** N.m in a sample. */
const SLOPE = 0.2;

/** Goes to the torque that the test names, and stays there. */
export class SteeredTorque implements TorqueSource {
  readonly isSaturated = false;
  /** N.m */
  target = 0;
  #torque = 0;

  next(): number {
    this.#torque += Math.max(-SLOPE, Math.min(SLOPE, this.target - this.#torque));
    return this.#torque;
  }

  zero(): void {}
}
