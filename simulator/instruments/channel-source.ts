/** The endless samples of one channel: pulls with pauses between them, seen by a sensor. Pure but for its own state. */
import { SeededRandom } from '../random.ts';
import { SampleTimes, Sensor, type SensorTraits } from '../sensor/sensor.ts';
import type { Pull } from '../tools/pull.ts';
import type { TorqueSource } from './virtual-instrument.ts';
import { drawPull, type OperatorPlan, type ToolPlan } from './tool-plan.ts';

export interface ChannelPlan {
  readonly tool: ToolPlan;
  readonly operator: OperatorPlan;
  /** Pause between two pulls, s. */
  readonly pauseS: readonly [number, number];
  /** Rest before the first pull, s. */
  readonly firstPullS: number;
  /** Number of pulls, then rest for ever; null: without end. */
  readonly pulls: number | null;
  readonly sensor: SensorTraits;
  readonly clockErrorPpm: number;
  readonly jitterS: number;
}

export class ChannelSource implements TorqueSource {
  readonly #plan: ChannelPlan;
  readonly #random: SeededRandom;
  readonly #sensor: Sensor;
  readonly #times: SampleTimes;
  #pull: Pull | null = null;
  #pullAtS: number;
  #timeS = 0;
  /** Pulls that began. */
  pullsBegun = 0;

  constructor(plan: ChannelPlan, rateHz: number, seed: number) {
    this.#plan = plan;
    this.#random = new SeededRandom(seed);
    this.#sensor = new Sensor(plan.sensor, this.#random.fork(1));
    this.#times = new SampleTimes(rateHz, plan.clockErrorPpm, plan.jitterS, this.#random.fork(2));
    this.#pullAtS = plan.firstPullS;
  }

  get isSaturated(): boolean {
    return this.#sensor.isSaturated;
  }

  /** The next sample, N.m. */
  next(): number {
    const t = this.#times.next();
    this.#timeS = t;
    return this.#sensor.read(this.#torqueAt(t), t);
  }

  zero(): void {
    this.#sensor.zero(this.#timeS);
  }

  #torqueAt(t: number): number {
    if (this.#pull === null) {
      if (t < this.#pullAtS || (this.#plan.pulls !== null && this.pullsBegun >= this.#plan.pulls)) return 0;
      this.#pull = drawPull(this.#plan.tool, this.#plan.operator, 0.96 * this.#plan.sensor.capacity, this.#random);
      if (this.#pull === null) {
        this.#pullAtS = Infinity;
        return 0;
      }
      this.pullsBegun++;
    }
    const sinceS = t - this.#pullAtS;
    if (sinceS < this.#pull.durationS) return this.#pull.torqueAt(sinceS);
    this.#pullAtS += this.#pull.durationS + this.#random.between(this.#plan.pauseS[0], this.#plan.pauseS[1]);
    this.#pull = null;
    return 0;
  }
}
